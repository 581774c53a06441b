"""Bicycles by the line and by the row, as files and streams bring them: read as a body is, or refused in place."""

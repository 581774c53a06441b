"""Bulk runs: bicycles that came in are quoted beside the calls, part by part."""

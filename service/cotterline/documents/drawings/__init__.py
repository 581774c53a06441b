"""Drawings of a quote as SVG: what its numbers say, to scale."""

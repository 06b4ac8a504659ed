"""Drawings that pages, paper and notebooks have in common, as SVG that needs nothing beside it."""

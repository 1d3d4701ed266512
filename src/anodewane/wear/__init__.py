"""Metals, and solids as they waste: volumes, plan areas and what a camera sees of an edge."""

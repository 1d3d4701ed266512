"""Laying a template where the part lies: the silhouette, its plan, the poses and the holes."""

"""Cameras and homographies, rings of points, an image pyramid: what every wing measures with."""

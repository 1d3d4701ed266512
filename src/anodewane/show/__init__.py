"""The record shown: as JSON, in words, as a picture."""

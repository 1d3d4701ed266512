"""Several photos of one part, fitted together: ``judge_together`` in `together` is the order of it."""

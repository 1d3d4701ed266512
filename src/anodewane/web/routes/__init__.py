"""The page's routes, each a function of its request."""

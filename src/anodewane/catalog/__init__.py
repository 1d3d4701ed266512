"""Sheet layouts and part templates as data, with their loaders and makers."""

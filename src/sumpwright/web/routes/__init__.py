"""Routes: thin, one module per part of the application; each has a ``router``."""

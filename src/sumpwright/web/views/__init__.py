"""View models: what the pages show, worked out before a template sees it."""

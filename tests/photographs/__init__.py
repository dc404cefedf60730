"""Rendered photographs of vials, made without any of the reader's own code."""

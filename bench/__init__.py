"""Ratios against named alternatives, measured in one run: ``python -m bench [NAME …]``."""

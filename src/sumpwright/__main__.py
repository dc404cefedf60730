"""``python -m sumpwright``."""

from sumpwright.cli import main

main()

"""Front-end packages: pinned by ``package-lock.json``, gathered when the pages are built."""

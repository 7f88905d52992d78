"""Mistakes planted in the code, one at a time, and whether a test notices: ``__main__.py``."""

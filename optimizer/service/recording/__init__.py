"""Stores the rows and files that people send as runs, on disk before the request is answered."""

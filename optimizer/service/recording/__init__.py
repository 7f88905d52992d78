"""Rows and files that people send become runs; they are on disk before the answer goes out."""

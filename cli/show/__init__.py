"""Answers as text for a terminal: one module an answer."""

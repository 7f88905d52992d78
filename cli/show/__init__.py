"""Answers as text for a terminal, with one module for each kind of answer."""

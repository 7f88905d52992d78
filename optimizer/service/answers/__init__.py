"""Answers from the history, each made once for a version of the history and then stored."""

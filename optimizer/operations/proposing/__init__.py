"""A site file proposed from a plant's own logs, or from answers to questions.

In come logs as they are, or answers; out comes a ``Draft`` of the site, its text with the reason of
each number beside it, and what no log can tell.
"""

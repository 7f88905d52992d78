"""The runs of a line and today's material as arrays, with warnings about what they cannot show.

In come runs of a history, the site and a brief; out come a frozen ``Evidence`` and the line's
fitted model.
"""

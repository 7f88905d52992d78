"""One history, many people: the library over HTTP, and a page for the tablet at the deck.

In come requests, out come the same bytes as the commands give; every row that was acknowledged is
on disk. ``app`` puts the parts together: ``guard`` stands before everything (who, how much, how
often), ``api`` and ``page`` are the two faces, ``worker`` does what takes long in a process of its
own and keeps it by history version, ``audit`` and ``metrics`` say what happened.
"""

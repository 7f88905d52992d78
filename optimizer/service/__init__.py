"""One history, many people: the library over HTTP, and pages for the tablet at the deck.

In come requests, out come the same bytes as the commands give; every row that was acknowledged is
on disk. A request passes ``admission`` (who, how much, how often); ``recording`` adds what it
brings, ``answers`` makes what takes long and keeps it by the version of the history; ``api`` and
``pages`` are the two faces. ``app`` puts the parts together, and ``server`` runs them.
"""

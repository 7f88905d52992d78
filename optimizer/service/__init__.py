"""One history, many people: the library over HTTP, and pages for the tablet at the deck.

In come requests, out come the same bytes as the commands give; every row that was acknowledged is
on disk. A request arrives in ``http``, which has the API for programs and the page for people, and
passes ``admission`` (who, how much, how often). ``recording`` stores the runs it brings;
``answers`` makes what takes long and keeps it by the version of the history.
"""

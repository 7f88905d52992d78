"""The service: the library over HTTP for many people, and pages for the tablet at the deck.

In come requests; out come answers with the same bytes that the commands write. A row is
acknowledged only after it is on disk. A request arrives in ``http`` and passes ``admission``, which
checks the sender and limits size and rate. It is answered by ``api``, for programs, or by
``pages``, for people. ``recording`` stores the runs of a request. ``answers`` makes the answers
that take long and stores them by the version of the history.
"""

"""The report for the engineer's screen and the trial sheet for the deck.

In come JSON documents: a plan, its landscape, a comparison and a diagnosis. Out come one
self-contained HTML page, and the sheet as HTML, PDF and CSV. No result is computed here: every
number on a page is a number of a document.

All words that are not names come from ``texts/<language>.toml``.
"""

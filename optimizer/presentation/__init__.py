"""The report for the engineer's screen and the trial sheet for the deck.

In come documents (a plan, what surrounds it, a comparison, a diagnosis), all as the JSON that
machines read; out come one self-contained HTML page, and the sheet as HTML, PDF and CSV. Nothing
is computed here that a document does not hold: a number on paper is a number of the plan.

Every word that is not a name or a number comes from ``texts/<language>.toml``.
"""

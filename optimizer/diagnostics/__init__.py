"""What the history says about the deck and about itself: ``diagnose``.

Each module answers one question from a line's evidence and its fitted surrogate: how well the
surrogate predicts set-points that were left out, where the noise comes from, which settings matter,
which settings were never tried, which runs are doubtful, what drifts. ``diagnosis`` collects the
answers.
"""

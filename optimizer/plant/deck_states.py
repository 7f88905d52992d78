"""The states in which a deck can run, in one list for checks, forms, help and simulation."""

from __future__ import annotations

from typing import Final, Literal, get_args

DeckState = Literal["even", "boiling", "sluggish", "starved", "flooded"]
"""States of the bed on the deck; each state except ``even`` is a failed trial (common practice)."""

DECK_STATES: Final[tuple[DeckState, ...]] = get_args(DeckState)
EVEN: Final[DeckState] = "even"
EXPECTED: Final = f"expected one of {', '.join(DECK_STATES)}"
"""End of the message about an unknown state."""

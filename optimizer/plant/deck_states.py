"""The states in which a deck can run: the one list that checks, forms, help and simulation use."""

from __future__ import annotations

from typing import Final, Literal, get_args

DeckState = Literal["even", "boiling", "sluggish", "starved", "flooded"]
"""How the bed lies on the deck; every state but ``even`` is a failed trial (common practice)."""

DECK_STATES: Final[tuple[DeckState, ...]] = get_args(DeckState)
EVEN: Final[DeckState] = "even"
EXPECTED: Final = f"expected one of {', '.join(DECK_STATES)}"
"""What a message says where another state was written."""

"""What tells an English text from one in Spanish or Portuguese."""

from __future__ import annotations

import re

ENGLISH_WORDS = re.compile(
    r"\b(the|of|and|is|are|was|were|with|not|this|that|these|those|to|for|from|be|been|has|have|"
    r"than|here|there|they|their|which|what|each|other|only|any|grade|recovery|feed|settings?|"
    r"runs?|trials?|reject|deck|bed|more|less|it|its|at|by|on|an|or|yet)\b",
    re.IGNORECASE,
)
"""Words of English that neither Spanish nor Portuguese has."""

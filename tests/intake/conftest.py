"""An empty history for logs."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.history.history import History


@pytest.fixture
def history(tmp_path: Path) -> History:
    return History(tmp_path / "history")

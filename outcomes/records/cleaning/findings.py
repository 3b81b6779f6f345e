"""What a cleaning rule gives back: a frame of findings, which `clean` turns into ledger entries.

One row is one thing about one row of a table: `position` of the row in its table (-1: about a
rater, an instrument or a file as a whole), `action` (``asked`` or ``set aside``), `column`,
`old_value`, and the `reason` in words.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

__all__ = ["WHOLE", "findings", "none_found"]

#: Position of a finding about no single row.
WHOLE = -1


def findings(
    table: str,
    position: Any,
    reason: Any,
    *,
    action: str = "asked",
    column: str = "",
    old: Any = None,
) -> pd.DataFrame:
    """Build a frame of findings; `reason` and `old` are one text or one per position.

    Examples
    --------
    >>> findings("visits", [3, 5], "two visits on one day", column="date").shape
    (2, 6)
    """
    position = np.asarray(position, dtype=np.int64)
    frame = pd.DataFrame({"position": position})
    frame["table"] = table
    frame["action"] = action
    frame["column"] = column
    frame["old_value"] = pd.array(np.broadcast_to(_text(old), position.shape), dtype="str")
    frame["reason"] = pd.array(np.broadcast_to(_text(reason), position.shape), dtype="str")
    return frame


def none_found(table: str = "measurements") -> pd.DataFrame:
    """Build a frame without findings."""
    return findings(table, [], "")


def _text(value: Any) -> np.ndarray:
    return np.asarray(value, dtype=object)

"""What ledgers of campaigns and replays have in common."""

from __future__ import annotations

from typing import Any

NO_LIMITS = (1, None)
"""A ledger states how long its trial is; a campaign has no such length."""

UNLIMITED: dict[str, Any] = {"packets": None, "duration_ns": None}
"""What it states instead."""

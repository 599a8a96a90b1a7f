"""Pictures of homes, beliefs, days and scores."""

from __future__ import annotations

"""Tests, and what they are made with."""

import vision  # noqa: F401 - first of all, for what it sets before numpy is loaded

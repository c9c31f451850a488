"""Command line and browser app."""

import vision  # noqa: F401 - first of all, for what it sets before numpy is loaded

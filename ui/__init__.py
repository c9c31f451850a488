"""Command line and browser app."""

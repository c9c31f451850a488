"""Photographs in, readings with an uncertainty (or a refusal) out."""

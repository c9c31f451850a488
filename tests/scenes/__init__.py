"""Scenes with known truth: a quick raster renderer and a physically based one."""

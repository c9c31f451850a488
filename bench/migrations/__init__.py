"""Schema versions of the logbook, applied by `bench.store` when a logbook is opened."""

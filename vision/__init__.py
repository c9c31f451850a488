"""Photographs in, readings with an uncertainty (or a refusal) out."""

import os

# Before numpy is loaded: our matrices are small, and threads that wait for a busy processor cost
# three times what they save.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

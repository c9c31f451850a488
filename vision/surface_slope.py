"""Side-on close-up and rod -> which way the surface runs, as a network sees it.

Grooves, the surface's far edge, a mirror image, dust and shadows all tell a little of it, together
more than each by itself. The network is taught by `tests.teach_slope` from rendered photographs;
it gives a share to each slope, and their spread says how sure it is.
"""

from __future__ import annotations

import numpy as np

WIDTH, HEIGHT = 256, 224  # of the copy the network sees
END_AT = (100.0, 70.0)  # where in it the rod's free end lies, the pivot to the right
SLOPES_DEG = np.arange(-15.0, 15.1, 0.5)  # positive where the surface falls towards the pivot

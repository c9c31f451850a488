"""What the nearer look says of an azimuth by itself, and how good its word is.

Comes in: `Borders` of the nearer look (`vision.azimuth_look`). Goes out: `Near`, half the slopes'
difference of edge and image with its uncertainty, by how rough the image's border is. The constants
are those of `tests.fit_azimuth_near`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from vision.azimuth_borders import Run
from vision.azimuth_look import Borders

ANYWHERE_DEG = 5.0  # over so much the nearer look's word is spread about a wrong pair
SAME_LINE = 0.3  # of wrong pairs, on a line that the nearer look takes for the border too
WHOLE, MISSING = 160, 1 / 200  # columns of a whole border; roughness of a missing one


@dataclass(frozen=True)
class Near:
    """What the nearer look says of half the slopes' difference by itself, degrees.

    It is good to ``u``, except for a share ``far`` of photos, where it says nothing.
    """

    half: float
    u: float
    far: float

    def gain(self, half: float) -> float:
        """Logarithm of how much likelier its word is if ``half`` (degrees) is right than if not."""
        own = math.exp(-0.5 * ((self.half - half) / self.u) ** 2) / (
            self.u * math.sqrt(2 * math.pi)
        )
        right = self.far + (1 - self.far) * own * ANYWHERE_DEG
        return math.log(right / (1 - SAME_LINE + SAME_LINE * own * ANYWHERE_DEG))


@dataclass(frozen=True)
class Good:
    """How good the nearer look's word is where its image's border is less ``rough``.

    ``u`` (degrees) and ``far`` as of `Near`; from `fifth` and `eighth`, which it was not taught.
    """

    rough: float
    u: float
    far: float


NEAR = (
    Good(0.4, 0.08, 0.08),
    Good(0.65, 0.15, 0.2),
    Good(0.8, 0.23, 0.5),
    Good(math.inf, 0.2, 0.8),
)


def near_half(borders: Borders | None) -> Near | None:
    """What the nearer look says of half the slopes' difference, and how good its word is."""
    if borders is None or not borders.both:
        return None
    edge, image = borders.edges[0], borders.images[0]
    good = next(g for g in NEAR if roughness(image.run) < g.rough)
    return Near(math.degrees(edge.angle - image.angle) / 2, good.u, good.far)


def roughness(run: Run) -> float:
    """How far (px, RMS) a border lies off its line, and more where columns of it are missing."""
    return run.off + MISSING * max(0, WHOLE - run.count)

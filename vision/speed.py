"""Speed of the platter from a phone video of the printed disc.

In: a video file (path or bytes) with the large or the label disc turning and the stationary card
in view. Out: the mean speed's deviation from 33 1/3, 45 or 78 rpm in per cent (positive = fast),
with slow fluctuation, the once-per-turn part and the direction of turning as components.

Times are the container's own timestamps (pts x time base), never frame numbers. In every frame all
visible markers of the disc give its angle: their corners are carried to the disc's plane by one
homography, fitted over the whole clip, and a rigid motion is fitted there, so perspective, an
eccentric hole and the rolling readout (even over markers all round) do not bias the turn. The
stationary card's apparent turn is the camera's own and is taken off. Angle over time is then a
straight line plus once- and twice-per-turn terms, by least squares.

Fluctuation is the speed in the band 0.2-2 Hz, unweighted. It is no wow-and-flutter figure of
AES6 / IEC 60386, whose curve reaches past what a video can see.

Keys: ``nominal_rpm`` (33.333, 45 or 78; otherwise the nearest).
"""

from __future__ import annotations

import hashlib
import io
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.measure import Options
from vision.reading import BudgetPart, Component, Outcome, Reading, Refusal, Segment
from vision.sheet_layouts import disc_markers

Array = NDArray[np.float64]
QUANTITY = "speed"
MEASURAND = "mean speed of the disc over whole turns, against the nominal speed"
NOMINAL_RPM = {"33 1/3": 100 / 3, "45": 45.0, "78": 78.0}
CAPTURE = 0.12  # how far from a nominal speed still counts as that speed
MIN_FPS, MAX_FPS, MIN_SECONDS, GOOD_SECONDS = 12.0, 70.0, 10.0, 29.5
DETECT_WIDTH = 960
BAND_HZ = (0.2, 2.0)
U_CLOCK_PERCENT = 0.003  # phone crystal, 30 parts in a million; from memory
U_READOUT_PERCENT = 0.002  # what is left of a 10-30 ms rolling readout over whole turns
MAX_BYTES = 2_000_000_000
_CAPTURE_TAGS = ("com.android.capture.fps", "com.apple.quicktime.camera.framereadouttimeinms")


@dataclass(frozen=True)
class SpeedTrace:
    """Angle of the disc over time.

    Parameters
    ----------
    seconds, turns : ndarray, shape (N,)
        Timestamps, and the angle in turns, anticlockwise from above, camera's turn taken off.
    camera_turns : ndarray, shape (N,)
        The camera's own turn.
    kind : {"disc", "label"}
    fps : float
        Median rate.
    dropped : int
        Gaps of more than 1.7 frame times.
    sha256 : str
    lines : tuple of Segment
    """

    seconds: Array
    turns: Array
    camera_turns: Array
    kind: str
    fps: float
    dropped: int
    sha256: str
    name: str
    lines: tuple[Segment, ...]

    def speed_percent(self, rpm: float) -> tuple[Array, Array]:
        """Evenly sampled times (s) and deviation of the speed from ``rpm`` (per cent), 0-2 Hz."""
        t, v = _smooth_speed(self.seconds, np.abs(self.turns - self.turns[0]))
        return t, 100 * (v * 60 / rpm - 1)


def read_speed(source: str | Path | bytes, options: Options) -> Outcome:
    """Read the speed from a video; never raises for a bad file."""
    trace = find_speed(source, options)
    if isinstance(trace, Refusal):
        return trace
    return solve_speed(trace, options)


def find_speed(source: str | Path | bytes, options: Options) -> SpeedTrace | Refusal:
    """Decode the video and track the disc."""
    name = Path(source).name if isinstance(source, str | Path) else "video"
    opened = _read(source)
    if isinstance(opened, str):
        return _refuse(name, opened, "Copy the clip from the phone again.", unreadable=True)
    data, digest = opened
    clip = _frames(data)
    if isinstance(clip, tuple):
        return replace(_refuse(name, *clip), unreadable=clip[0].startswith("The file"))
    outcome = _track(clip, name, digest)
    if isinstance(outcome, Refusal):
        return replace(outcome, photo=name, sha256=digest)
    return outcome


def solve_speed(trace: SpeedTrace, options: Options) -> Reading | Refusal:
    """Mean speed, fluctuation and budget.

    Raises
    ------
    ValueError
        For a typed nominal speed that is none of the three.
    """
    t = trace.seconds - trace.seconds[0]
    turns = trace.turns - trace.turns[0]
    backwards = turns[-1] > 0
    turns = np.abs(turns) if backwards else -turns
    raw = turns[-1] / t[-1] * 60
    chosen = _nominal(raw, options)
    if chosen is None:
        return replace(
            _refuse(
                trace.name,
                f"The disc turns at {raw:.2f} rpm by the clip's own clock, which is near none of "
                "33 1/3, 45 and 78.",
                "Slow-motion, time-lapse and re-encoded clips lie about time: film at the "
                "ordinary setting and use the phone's own file.",
            ),
            sha256=trace.sha256,
        )
    label, rpm = chosen
    whole = math.floor(turns[-1])
    keep = turns <= whole
    if whole < 4:
        return _refuse(trace.name, f"Only {whole} whole turns are in the clip.", _LONGER)
    fit = _line_and_turn(t[keep], turns[keep])
    value = 100 * (fit.rate * 60 / rpm - 1)
    times, percent = trace.speed_percent(rpm)
    slow = _band(times, percent)
    edge = min(int(0.5 / BAND_HZ[0] / 0.05), len(slow) // 4)
    inner = slow[edge:-edge]
    seconds = float(t[keep][-1])
    noise = 100 * fit.noise_turns / (fit.rate * seconds) * math.sqrt(12 / keep.sum()) * 2
    sway = float(np.std(np.diff(trace.camera_turns))) / math.sqrt(2)
    camera = 100 * 2 * sway / math.sqrt(trace.fps) / (fit.rate * seconds)
    parts = (
        BudgetPart("angle fit", noise),
        BudgetPart("camera direction", camera, "camera's own turn, from the stationary card"),
        BudgetPart("phone's clock", U_CLOCK_PERCENT),
        BudgetPart("rolling readout", U_READOUT_PERCENT * 30 / seconds),
        BudgetPart(
            "part turns", 100 * fit.once_turns * 0.02 / (fit.rate * seconds), "uneven last turn"
        ),
    )
    _, own = _smooth_speed(trace.seconds, trace.camera_turns)
    wander = 100 * float(np.std(_band(times, own * 60 / rpm)[edge:-edge]))
    # a third of a hand-held camera's own turn can be left after the stationary card's correction
    floor = _noise_floor(trace, rpm, fit.noise_turns)
    unsure = math.hypot(max(floor, 0.005), wander / 3)
    once = 100 * fit.once_turns * 2 * math.pi
    flags = [
        flag
        for flag, on in (
            ("turning_backwards", backwards),
            ("frames_dropped", trace.dropped > 0),
            ("short_video", seconds < GOOD_SECONDS - 60 / rpm),
        )
        if on
    ]
    rms = math.sqrt(max(float(np.mean(inner**2)) - floor**2, 0.0))
    reading = Reading(
        QUANTITY,
        float(value),
        "percent",
        f"{MEASURAND} ({label} rpm)",
        parts,
        components=(
            Component("nominal rpm", rpm, "rpm", 0.0),
            Component("rpm", float(fit.rate * 60), "rpm", rpm / 100 * _rss(parts)),
            Component("fluctuation RMS, 0.2-2 Hz, unweighted", rms, "percent", unsure),
            Component(
                "fluctuation peak, 0.2-2 Hz, unweighted",
                float(np.abs(inner).max()),
                "percent",
                2 * unsure,
            ),
            Component("once per turn, peak", once, "percent", unsure / 2),
            Component("seconds", seconds, "s", 0.0),
        ),
        lines=trace.lines,
        photo=trace.name,
        sha256=trace.sha256,
    )
    return reading.flagged(*flags)


def speed_advice(reading: Reading) -> str:
    """One sentence on pulley or trim.

    A belt deck's speed goes with the pulley's diameter, so the same per cent applies to it.
    """
    value, u = reading.value, reading.expanded_uncertainty
    if abs(value) <= u:
        return "The mean speed is right within what this clip can tell."
    way = "slower" if value > 0 else "faster"
    return (
        f"The platter runs {abs(value):.2f} % {'fast' if value > 0 else 'slow'}: turn the trim "
        f"{way} by that much, or change the pulley's working diameter by "
        f"{-value:+.2f} %. Unplug the deck before touching motor or pulley."
    )


def plot_speed(trace: SpeedTrace, rpm: float, path: str | Path) -> Path:
    """Speed against time and its spectrum, as PNG, SVG or PDF by the name's ending."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    times, percent = trace.speed_percent(rpm)
    slow = percent - percent.mean()
    figure = Figure(figsize=(8, 5.2), layout="constrained")
    FigureCanvasAgg(figure)
    above, below = figure.subplots(2, 1)
    above.plot(times, percent, color="#0072B2", linewidth=1.1)
    above.axhline(0, color="#777777", linewidth=0.8)
    above.set(
        xlabel="time, s", ylabel="speed, % from nominal", title="Speed, 0 to 2 Hz, unweighted"
    )
    step = times[1] - times[0]
    size = np.abs(np.fft.rfft(slow * np.hanning(len(slow)))) * 4 / len(slow)
    rate = np.fft.rfftfreq(len(slow), step)
    shown = (rate > 0) & (rate <= BAND_HZ[1] * 1.25)
    below.plot(rate[shown], size[shown], color="#D55E00", linewidth=1.1)
    below.axvline(rpm / 60, color="#777777", linestyle="--", linewidth=0.8)
    below.set(xlabel="frequency, Hz (dashed: once per turn)", ylabel="amplitude, %")
    target = Path(path)
    figure.savefig(target, dpi=130)
    return target


# ---- video -----------------------------------------------------------------------------------

_LONGER = "Film at least 30 s, 40 s if you can, at the ordinary setting."


@dataclass(frozen=True)
class _Clip:
    seconds: list[float]
    found: list[dict[int, Array]]
    width: int
    height: int


def _refuse(name: str, reason: str, advice: str, unreadable: bool = False) -> Refusal:
    return Refusal(QUANTITY, reason, advice, photo=name, unreadable=unreadable)


def _rss(parts: tuple[BudgetPart, ...]) -> float:
    return math.hypot(*(p.standard_uncertainty for p in parts))


def _read(source: str | Path | bytes) -> tuple[Any, str] | str:
    """A seekable source for PyAV and its hash, or what is wrong."""
    if isinstance(source, bytes | bytearray):
        if not source:
            return "The file is empty (0 bytes)."
        return io.BytesIO(bytes(source)), hashlib.sha256(source).hexdigest()
    path = Path(source)
    try:
        if not path.is_file():
            return f"The file {path.name} was not found."
        if path.stat().st_size == 0:
            return "The file is empty (0 bytes)."
        if path.stat().st_size > MAX_BYTES:
            return f"The file is larger than {MAX_BYTES // 1_000_000_000} GB."
        digest = hashlib.sha256()
        with path.open("rb") as handle:
            while block := handle.read(1 << 20):
                digest.update(block)
    except OSError as error:
        return f"The file {path.name} cannot be opened ({error.strerror or 'unreadable'})."
    return str(path), digest.hexdigest()


def _frames(source: Any) -> _Clip | tuple[str, str]:
    """Decode, check times, and detect markers frame by frame."""
    import av

    wrong = ("The file is no video that can be read.", "Use the clip as the phone wrote it.")
    try:
        with av.open(source) as container:
            if not container.streams.video:
                return wrong
            stream = container.streams.video[0]
            stream.thread_type = "AUTO"
            tagged = _slow_motion_tag({**container.metadata, **stream.metadata})
            if tagged:
                return (
                    f"The clip was taken at {tagged:.0f} frames a second and slowed down.",
                    "Film at the ordinary setting, 30 or 60 frames a second.",
                )
            seconds: list[float] = []
            found: list[dict[int, Array]] = []
            width = height = 0
            detector = _detector()
            for frame in container.decode(stream):
                if frame.pts is None or frame.time_base is None:
                    return ("The clip carries no timestamps.", "Use the phone's own file.")
                seconds.append(float(frame.pts * frame.time_base))
                grey = frame.to_ndarray(format="gray")
                width, height = grey.shape[1], grey.shape[0]
                found.append(_detect(detector, grey))
                if len(seconds) == 40:
                    early = _too_slow_or_fast(seconds)
                    if early:
                        return early
                    if sum(len(f) > 1 for f in found) == 0:
                        return _NO_DISC
                if seconds[-1] - seconds[0] > 180:
                    break
    except (av.error.FFmpegError, OSError, ValueError, IndexError):
        return wrong
    if len(seconds) < 4:
        return ("The file holds no moving picture.", _LONGER)
    early = _too_slow_or_fast(seconds)
    if early:
        return early
    length = seconds[-1] - seconds[0]
    if length < MIN_SECONDS:
        return (f"The clip is only {length:.1f} s long.", _LONGER)
    return _Clip(seconds, found, width, height)


_NO_DISC = (
    "The printed speed disc was not seen.",
    "Lay the printed disc on the platter, film from straight above with all of it in view, in "
    "bright light so that the markers stay sharp.",
)


def _slow_motion_tag(metadata: dict[str, str]) -> float | None:
    try:
        rate = float(metadata.get(_CAPTURE_TAGS[0], "0"))
    except ValueError:
        return None
    return rate if rate > MAX_FPS else None


def _too_slow_or_fast(seconds: list[float]) -> tuple[str, str] | None:
    gaps = np.diff(seconds)
    if (gaps <= 0).any():
        return ("The clip's timestamps run backwards or stand still.", "Use the phone's own file.")
    fps = 1 / float(np.median(gaps))
    if fps < MIN_FPS:
        return (
            f"The clip has only {fps:.1f} frames a second.",
            "Film at 30 or 60 frames a second.",
        )
    if fps > MAX_FPS:
        return (
            f"The clip has {fps:.0f} frames a second: slow motion.",
            "Film at the ordinary setting, 30 or 60 frames a second.",
        )
    return None


def _detector() -> Any:
    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = 0.04
    settings.adaptiveThreshWinSizeMin = 7
    settings.adaptiveThreshWinSizeMax = 23
    settings.adaptiveThreshWinSizeStep = 16
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    settings.cornerRefinementWinSize = 4
    settings.errorCorrectionRate = 0.4
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    return cv2.aruco.ArucoDetector(dictionary, settings)


def _detect(detector: Any, grey: NDArray[Any]) -> dict[int, Array]:
    scale = min(1.0, DETECT_WIDTH / max(grey.shape))
    if scale < 1:
        grey = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    quads, ids, _ = detector.detectMarkers(grey)
    if ids is None:
        return {}
    return {
        int(n): (np.asarray(q, float).reshape(4, 2) + 0.5) / scale - 0.5
        for q, n in zip(quads, np.asarray(ids).reshape(-1), strict=True)
    }


# ---- angle -----------------------------------------------------------------------------------


def _track(clip: _Clip, name: str, digest: str) -> SpeedTrace | Refusal:
    """Angle of the disc and of the stationary card in every frame."""
    kinds = {
        kind: {m.number: m.corners() for m in disc_markers(kind)}
        for kind in ("disc", "label", "reference")
    }
    counts = {k: sum(len(f.keys() & kinds[k].keys()) >= 2 for f in clip.found) for k in kinds}
    kind = "disc" if counts["disc"] >= counts["label"] else "label"
    total = len(clip.found)
    if counts[kind] < 0.5 * total:
        if counts[kind] == 0:
            return _refuse(name, *_NO_DISC)
        return _refuse(
            name,
            f"The disc's markers are sharp in only {counts[kind]} of {total} frames.",
            "More light (shorter exposure), the whole disc in view, nothing passing over it.",
        )
    if sum(len(f.keys() & kinds["reference"].keys()) >= 1 for f in clip.found) < 0.6 * total:
        return _refuse(
            name,
            "No stationary mark is in view, so a turning camera would pass for a turning disc.",
            "Lay the stationary card on the plinth beside the platter, in view all the time.",
        )
    disc, card = kinds[kind], kinds["reference"]
    plane = _plane(clip.found, disc)
    if plane is None:
        return _refuse(name, *_NO_DISC)
    seconds, angles, camera = [], [], []
    home: dict[int, Array] = {}
    for t, found in zip(clip.seconds, clip.found, strict=True):
        angle = _turn_of(found, disc, plane, 2)
        seen = {n: _apply(plane, q) for n, q in found.items() if n in card}
        for n, q in seen.items():
            home.setdefault(n, q)
        if angle is None or not seen:
            continue
        a = np.concatenate([home[n] for n in seen])
        b = np.concatenate(list(seen.values()))
        seconds.append(t)
        angles.append(angle)
        camera.append(_rigid(a, b))
    if len(seconds) < 0.5 * total or seconds[-1] - seconds[0] < MIN_SECONDS:
        return _refuse(name, "The disc or the stationary card is out of view too often.", _LONGER)
    times, turned = np.array(seconds), np.unwrap(np.array(angles))
    own = np.unwrap(np.array(camera))
    gaps = np.diff(np.array(clip.seconds))
    median = float(np.median(gaps))
    steps = np.abs(np.diff(turned))
    usual = float(np.median(steps))
    frozen = float(np.mean(steps[np.diff(times) < 1.5 * median] < 0.2 * usual))
    if usual * median > 0 and frozen > 0.01:
        return _refuse(
            name,
            f"{100 * frozen:.0f} % of the frames repeat the one before: the clip was resampled "
            "or the disc stands still.",
            "Use the phone's own file, not one sent through a messenger or an editor.",
        )
    outline = np.concatenate([disc[n] for n in sorted(disc)])
    box = _apply(np.linalg.inv(plane), np.array([[outline[:, 0].min(), 0], [0, 0]]))
    return SpeedTrace(
        times,
        (turned - own) / (2 * math.pi),
        own / (2 * math.pi),
        kind,
        1 / median,
        int(np.sum(gaps > 1.7 * median)),
        digest,
        name,
        (Segment("disc radius", "reference", *map(float, box.ravel())),),
    )


def _plane(found: list[dict[int, Array]], disc: dict[int, Array]) -> Array | None:
    """Homography from pixels to the disc's plane (mm), fitted over frames spread in the clip.

    Starts from the frame with most markers, then alternates between each frame's rigid motion and
    one homography for all, so that single-frame noise and an eccentric hole average out.
    """
    best = max(found, key=lambda f: len(f.keys() & disc.keys()))
    numbers = sorted(best.keys() & disc.keys())
    if len(numbers) < 2:
        return None
    source = np.concatenate([best[n] for n in numbers])
    plane, _ = cv2.findHomography(source, np.concatenate([disc[n] for n in numbers]), 0)
    if plane is None:
        return None
    chosen = [f for f in found if len(f.keys() & disc.keys()) >= 3][:: max(1, len(found) // 80)]
    for _ in range(3):
        pixels, places = [], []
        for frame in chosen:
            own = sorted(frame.keys() & disc.keys())
            p = np.concatenate([frame[n] for n in own])
            q = np.concatenate([disc[n] for n in own])
            seen = _apply(plane, p)
            turn = _rigid(q, seen)
            c, s = math.cos(turn), math.sin(turn)
            moved = (q - q.mean(0)) @ np.array([[c, s], [-s, c]]) + seen.mean(0)
            pixels.append(p)
            places.append(moved)
        if not pixels:
            break
        better, _ = cv2.findHomography(np.concatenate(pixels), np.concatenate(places), 0)
        if better is None:
            break
        plane = better
    return np.asarray(plane)


def _turn_of(
    found: dict[int, Array], disc: dict[int, Array], plane: Array, least: int
) -> float | None:
    numbers = sorted(found.keys() & disc.keys())
    if len(numbers) < least:
        return None
    p = _apply(plane, np.concatenate([found[n] for n in numbers]))
    return _rigid(np.concatenate([disc[n] for n in numbers]), p)


def _apply(homography: NDArray[Any], points: NDArray[Any]) -> Array:
    return np.asarray(cv2.perspectiveTransform(np.asarray(points, float)[None], homography)[0])


def _rigid(a: Array, b: Array) -> float:
    """Rotation from a to b about their means, least squares (Kabsch in two dimensions)."""
    u, v = a - a.mean(0), b - b.mean(0)
    return math.atan2(float(np.sum(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])), float(np.sum(u * v)))


# ---- speed -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _LineFit:
    rate: float
    once_turns: float
    noise_turns: float


def _line_and_turn(t: Array, turns: Array) -> _LineFit:
    """Angle as a + rate t + once- and twice-per-turn terms; robust against single bad frames."""
    phase = 2 * np.pi * turns
    matrix = np.column_stack(
        [np.ones_like(t), t, np.cos(phase), np.sin(phase), np.cos(2 * phase), np.sin(2 * phase)]
    )
    keep = np.ones(len(t), bool)
    for _ in range(3):
        solution, *_ = np.linalg.lstsq(matrix[keep], turns[keep], rcond=None)
        miss = turns - matrix @ solution
        spread = 1.4826 * float(np.median(np.abs(miss[keep])))
        keep = np.abs(miss) < max(6 * spread, 1e-6)
    jitter = float(np.std(np.diff(miss[keep]))) / math.sqrt(2)
    return _LineFit(
        float(solution[1]), float(math.hypot(solution[2], solution[3])), max(jitter, 1e-7)
    )


def _smooth_speed(t: Array, turns: Array) -> tuple[Array, Array]:
    """Speed in turns per second every 0.05 s: local straight line with Gaussian weights.

    A weight of 0.09 s standard deviation passes half the amplitude at 2 Hz.
    """
    sigma = 0.09
    times = np.arange(t[0] + 2 * sigma, t[-1] - 2 * sigma, 0.05)
    speed = np.empty(len(times))
    first = np.searchsorted(t, times - 3 * sigma)
    last = np.searchsorted(t, times + 3 * sigma)
    for i, (now, a, b) in enumerate(zip(times, first, last, strict=True)):
        x, y = t[a:b] - now, turns[a:b]
        w = np.exp(-0.5 * (x / sigma) ** 2)
        mx, my = np.average(x, weights=w), np.average(y, weights=w)
        speed[i] = float(np.sum(w * (x - mx) * (y - my)) / np.sum(w * (x - mx) ** 2))
    return times - t[0], speed


def _band(times: Array, percent: Array) -> Array:
    """Take off what is slower than 0.2 Hz."""
    step = float(times[1] - times[0])
    size = int(1 / BAND_HZ[0] / step) | 1
    padded = np.pad(percent, size // 2, mode="reflect")
    slow = np.convolve(padded, np.hanning(size + 2)[1:-1] / np.hanning(size + 2).sum(), "valid")
    return np.asarray(percent - slow[: len(percent)])


def _noise_floor(trace: SpeedTrace, rpm: float, noise_turns: float) -> float:
    """RMS that white angle noise alone gives the smoothed speed, per cent."""
    sigma = 0.09
    per_second = noise_turns / math.sqrt(2 * math.sqrt(math.pi) * sigma**3 * trace.fps)
    return 100 * per_second * 60 / rpm


def _nominal(raw: float, options: Options) -> tuple[str, float] | None:
    asked = options.given.get("nominal_rpm")
    if asked is not None and not any(abs(asked - r) < 0.5 for r in NOMINAL_RPM.values()):
        raise ValueError(f"nominal_rpm: expected 33.333, 45 or 78, got {asked!r}")
    label = min(NOMINAL_RPM, key=lambda k: abs(NOMINAL_RPM[k] - (asked or raw)))
    rpm = NOMINAL_RPM[label]
    return (label, rpm) if abs(raw / rpm - 1) < CAPTURE else None

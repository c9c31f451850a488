"""Where photos and videos from the phone arrive: POST one, GET its preview.

In: bytes over HTTP (or from a sample). Out: a file kept under its own hash, so that the same photo
sent twice by a phone with a bad connection is one photo; a preview of at most 1600 px; the decoded
`Photo` of the last few. Size, leading bytes and pixel count are enforced here, on the server,
because a browser's own limits can be walked around.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import tempfile
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import unquote, urlsplit

from PIL import Image

from bench import store
from vision.photo import Photo, PhotoError, load_photo

MAX_PHOTO_BYTES = 64_000_000  # a 48 MP JPEG is about 20 MB, a 50 MP PNG about 60 MB
MAX_VIDEO_BYTES = 800_000_000  # three minutes of 4K
# Longest side of each picture that can be asked for.
SIDES = {"thumb": 240, "preview": 1600, "full": 6000}
KEEP_FILES = 200
KEEP_BYTES = 3_000_000_000
PHOTOS_IN_MEMORY = 2
DECODES_AT_ONCE = 2
ID_PATTERN = re.compile(r"[0-9a-f]{20}")

# The same few threads do all heavy work: their memory is used again, and a crowd of phones queues
# instead of decoding all at once. A page's own thread lives for one run only.
_WORKER = "deckplumb-worker"
_workers = ThreadPoolExecutor(DECODES_AT_ONCE, thread_name_prefix=_WORKER)
Answer = TypeVar("Answer")


def heavily(work: Callable[..., Answer], *given: Any) -> Answer:
    """Do decoding or measuring in one of the few threads kept for it; waits for the answer."""
    if threading.current_thread().name.startswith(_WORKER):
        return work(*given)
    return _workers.submit(work, *given).result()


class NotAccepted(Exception):  # noqa: N818 - an answer to a person, not a fault
    """The file was turned away: HTTP status, what is wrong and what to do."""

    def __init__(self, status: int, reason: str, advice: str) -> None:
        super().__init__(f"{reason} {advice}")
        self.status, self.reason, self.advice = status, reason, advice


@dataclass(frozen=True)
class Arrival:
    """A photo or video that was received.

    ``width`` and ``height`` are pixels of the upright photo as it is measured (0 for a video);
    ``received`` is seconds since 1970.
    """

    id: str
    name: str
    kind: str
    size: int
    width: int
    height: int
    received: float
    sample: bool = False


class Inbox:
    """A folder of received files.

    Parameters
    ----------
    folder : Path
        Made when missing.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._photos: OrderedDict[str, Photo] = OrderedDict()
        self._lock = threading.RLock()
        folder.mkdir(parents=True, exist_ok=True)
        for stale in folder.glob("incoming-*"):
            with contextlib.suppress(OSError):
                if time.time() - stale.stat().st_mtime > 3600:
                    stale.unlink()

    def add(self, data: bytes, name: str, sample: bool = False) -> Arrival:
        """Keep bytes that are already in memory; as `accept`."""
        handle, temporary = tempfile.mkstemp(prefix="incoming-", dir=self.folder)
        with os.fdopen(handle, "wb") as out:
            out.write(data)
        return self.accept(Path(temporary), name, hashlib.sha256(data).hexdigest(), sample)

    def accept(self, temporary: Path, name: str, sha256: str, sample: bool = False) -> Arrival:
        """Check a complete file and keep it under its hash; the temporary file is used up.

        Raises
        ------
        NotAccepted
            Empty, not a picture or video, too many pixels, or damaged.
        """
        try:
            key = sha256[:20]
            known = self.get(key)
            if known is not None:
                return known
            kind = _kind(temporary, name)
            width = height = 0
            if kind == "photo":
                width, height = self._preview(temporary, name, key)
            arrival = Arrival(
                key, name, kind, temporary.stat().st_size, width, height, time.time(), sample
            )
            os.replace(temporary, self.folder / f"{key}.file")
            _write(self.folder / f"{key}.json", json.dumps(asdict(arrival)).encode())
            self._tidy()
            return arrival
        finally:
            temporary.unlink(missing_ok=True)

    def get(self, key: str) -> Arrival | None:
        """Return what is known of a file, or None if it is not (or no longer) here."""
        if not ID_PATTERN.fullmatch(key) or not (self.folder / f"{key}.file").exists():
            return None
        try:
            return Arrival(**json.loads((self.folder / f"{key}.json").read_text("utf-8")))
        except (OSError, ValueError, TypeError):
            return None

    def recent(self, count: int, kind: str = "photo") -> list[Arrival]:
        """Return the last arrivals of a kind that are not samples, the newest first."""
        entries = sorted(self.folder.glob("*.json"), key=_modified, reverse=True)
        found: list[Arrival] = []
        for entry in entries:
            arrival = self.get(entry.stem)
            if arrival is not None and arrival.kind == kind and not arrival.sample:
                found.append(arrival)
            if len(found) == count:
                break
        return found

    def path(self, key: str) -> Path:
        """Path of the file as it was received."""
        return self.folder / f"{key}.file"

    def photo(self, key: str) -> Photo:
        """Decode a photo, or take it from the last few decoded ones.

        Raises
        ------
        PhotoError
            When the file is gone or damaged.
        """
        with self._lock:
            if key in self._photos:
                self._photos.move_to_end(key)
                return self._photos[key]
        arrival = self.get(key)
        if arrival is None:
            raise PhotoError("This photo is no longer kept here.", "Choose it again.")
        photo = heavily(load_photo, self.path(key), arrival.name)
        with self._lock:
            self._photos[key] = photo
            while len(self._photos) > PHOTOS_IN_MEMORY:
                self._photos.popitem(last=False)
        return photo

    def picture(self, key: str, which: str) -> Path | None:
        """Path of a JPEG to show, one of `SIDES` (made when first asked for)."""
        arrival = self.get(key)
        if arrival is None or arrival.kind != "photo":
            return None
        path = self.folder / f"{key}.{which}.jpg"
        if not path.exists():
            heavily(_save, self.photo(key), path, SIDES[which])
        return path

    def _preview(self, temporary: Path, name: str, key: str) -> tuple[int, int]:
        try:
            return heavily(self._shrink, temporary, name, key)
        except PhotoError as error:
            raise NotAccepted(422, error.reason, error.advice) from error
        except ImportError as error:
            reason = f"{name} needs a decoder that is not installed here ({error.name})."
            raise NotAccepted(422, reason, "Set the phone to take JPEG photos.") from error

    def _shrink(self, temporary: Path, name: str, key: str) -> tuple[int, int]:
        photo = load_photo(temporary, name=name)
        for which in ("preview", "thumb"):
            _save(photo, self.folder / f"{key}.{which}.jpg", SIDES[which])
        return photo.width, photo.height

    def _tidy(self) -> None:
        files = sorted(self.folder.glob("*.file"), key=_modified, reverse=True)
        total = 0
        for rank, file in enumerate(files):
            with contextlib.suppress(OSError):
                total += file.stat().st_size
                if rank >= KEEP_FILES or (total > KEEP_BYTES and rank > 0):
                    for old in self.folder.glob(f"{file.stem}.*"):
                        old.unlink()


def data_folder() -> Path:
    """Folder of everything the app keeps: ``DECKPLUMB_DATA`` or the user's data folder."""
    given = os.environ.get("DECKPLUMB_DATA")
    return Path(given) if given else store.data_folder()


def inbox() -> Inbox:
    """Return the inbox of this process."""
    return _inbox(str(data_folder() / "inbox"))


@cache
def _inbox(folder: str) -> Inbox:
    return Inbox(Path(folder))


def routes() -> list[Any]:
    """Return the routes served beside the pages."""
    from starlette.routing import Route

    return [
        Route("/inbox", _receive, methods=["POST"]),
        Route("/inbox/{key}/{which}.jpg", _show, methods=["GET"]),
    ]


async def _receive(request: Any) -> Any:
    from starlette.concurrency import run_in_threadpool
    from starlette.requests import ClientDisconnect
    from starlette.responses import JSONResponse

    def answer(problem: NotAccepted) -> Any:
        body = {"reason": problem.reason, "advice": problem.advice}
        return JSONResponse(body, status_code=problem.status)

    name = _plain_name(request.headers.get("x-photo-name", "photo"))
    temporary: Path | None = None
    try:
        _same_site(request)
        box = inbox()
        handle, text = tempfile.mkstemp(prefix="incoming-", dir=box.folder)
        temporary = Path(text)
        digest, size, limit = hashlib.sha256(), 0, MAX_PHOTO_BYTES
        with os.fdopen(handle, "wb") as out:
            async for chunk in request.stream():
                if size == 0 and chunk and _magic(chunk[:16]) == "video":
                    limit = MAX_VIDEO_BYTES
                size += len(chunk)
                if size > limit:
                    raise NotAccepted(
                        413,
                        f"{name} is larger than {limit / 1e6:.0f} MB.",
                        "Use the phone's ordinary photo mode (12 megapixels are plenty).",
                    )
                digest.update(chunk)
                out.write(chunk)
        arrival = await run_in_threadpool(box.accept, temporary, name, digest.hexdigest())
    except NotAccepted as problem:
        return answer(problem)
    except ClientDisconnect:
        return answer(NotAccepted(400, "The connection was cut.", "It will be sent again."))
    except OSError as error:
        reason = f"The photo could not be kept ({error.strerror or 'disk trouble'})."
        return answer(NotAccepted(507, reason, "Free some disk space on the computer."))
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
    return JSONResponse(asdict(arrival), status_code=201)


async def _show(request: Any) -> Any:
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import FileResponse, PlainTextResponse

    key, which = request.path_params["key"], request.path_params["which"]
    path = None
    if which in SIDES and ID_PATTERN.fullmatch(key):
        with contextlib.suppress(PhotoError, OSError):
            path = await run_in_threadpool(inbox().picture, key, which)
    if path is None:
        return PlainTextResponse("This photo is not here.", status_code=404)
    lasting = {"cache-control": "private, max-age=31536000, immutable"}
    return FileResponse(path, media_type="image/jpeg", headers=lasting)


def _same_site(request: Any) -> None:
    """Refuse a form or script of another site: it can set neither header."""
    origin = request.headers.get("origin")
    foreign = origin is not None and urlsplit(origin).netloc != request.headers.get("host")
    if foreign or request.headers.get("x-deckplumb") != "photo":
        raise NotAccepted(403, "Not sent by this app.", "Open the app and choose the photo there.")


def _plain_name(header: str) -> str:
    name = unquote(header).replace("\\", "/").rsplit("/", 1)[-1]
    name = "".join(c for c in name if c.isprintable() and c not in '<>"').strip()
    return name[-80:] or "photo"


def _kind(path: Path, name: str) -> str:
    with path.open("rb") as file:
        head = file.read(16)
    if not head:
        raise NotAccepted(422, f"{name} is empty (0 bytes).", "Choose or take the photo again.")
    kind = _magic(head)
    if kind is None:
        raise NotAccepted(
            415,
            f"{name} is not a photo or video, whatever its name says.",
            "Choose a JPEG, HEIC, PNG, TIFF or WebP photo, or an MP4 or MOV video.",
        )
    return kind


def _magic(head: bytes) -> str | None:
    if head[:3] == b"\xff\xd8\xff" or head[:8] == b"\x89PNG\r\n\x1a\n":
        return "photo"
    if head[:4] in (b"II*\0", b"MM\0*") or (head[:4] == b"RIFF" and head[8:12] == b"WEBP"):
        return "photo"
    if head[:6] in (b"GIF87a", b"GIF89a") or head[:2] == b"BM":
        return "photo"  # decoded or refused with its own words by load_photo
    if head[4:8] == b"ftyp":
        still = head[8:12] in (b"heic", b"heix", b"mif1", b"msf1", b"heim", b"heis", b"avif")
        return "photo" if still else "video"
    if head[:4] == b"\x1aE\xdf\xa3" or head[4:8] in (b"moov", b"mdat", b"wide"):
        return "video"
    if head[:4] == b"RIFF" and head[8:12] == b"AVI ":
        return "video"
    return None


def _save(photo: Photo, path: Path, longest: int) -> None:
    image = Image.fromarray(photo.rgb)
    image.thumbnail((longest, longest), Image.Resampling.LANCZOS, reducing_gap=2.0)
    handle, text = tempfile.mkstemp(prefix="incoming-", dir=path.parent)
    with os.fdopen(handle, "wb") as out:
        image.save(out, "JPEG", quality=92 if longest == SIDES["full"] else 85, optimize=False)
    os.replace(text, path)


def _write(path: Path, data: bytes) -> None:
    handle, text = tempfile.mkstemp(prefix="incoming-", dir=path.parent)
    with os.fdopen(handle, "wb") as out:
        out.write(data)
    os.replace(text, path)


def _modified(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0

"""Kept pictures as files named by their content, on a local disk or any `fsspec` store.

In: picture bytes. Out: a reference such as ``"ab/ab12….jpg"`` that the logbook keeps. A picture
is written under another name and renamed, so a half-written one is never found by its reference;
what is read back must match its name.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from pathlib import Path
from typing import Any

from bench.problems import LogbookError
from bench.store import data_folder, plainly

PICTURES_VARIABLE = "DECKPLUMB_PHOTOS"
_REFERENCE = re.compile(r"[0-9a-f]{2}/[0-9a-f]{64}\.(jpg|png)")


class Pictures:
    """Pictures under one address: given, or ``DECKPLUMB_PHOTOS``, or the user's data folder."""

    def __init__(self, address: str | None = None) -> None:
        import fsspec

        self.address = address or os.environ.get(PICTURES_VARIABLE) or str(data_folder() / "photos")
        try:
            self._store, self._root = fsspec.core.url_to_fs(self.address)
        except (ImportError, ValueError) as problem:
            raise LogbookError(
                f"The photo address {self.address!r} cannot be used ({problem}).",
                f"Check {PICTURES_VARIABLE}: a folder or an fsspec address.",
            ) from problem

    def keep(self, data: bytes, ending: str) -> str:
        """Keep a picture; return its reference. The same picture is kept once."""
        digest = hashlib.sha256(data).hexdigest()
        reference = f"{digest[:2]}/{digest}.{ending}"
        path = self._path(reference)
        with plainly():
            if "file" in _protocols(self._store):
                _write_locally(Path(path), data)
            elif not self._store.exists(path):
                self._store.makedirs(path.rsplit("/", 1)[0], exist_ok=True)
                self._store.pipe_file(path, data)
        return reference

    def load(self, reference: str) -> bytes:
        """Return a kept picture; `LogbookError` if it is gone or no longer what it was."""
        path = self._path(reference)
        try:
            data = bytes(self._store.cat_file(path))
        except FileNotFoundError as problem:
            raise LogbookError(
                f"The kept photo {reference} is gone.", "Restore it from a backup."
            ) from problem
        if hashlib.sha256(data).hexdigest() != reference[3:67]:
            raise LogbookError(
                f"The kept photo {reference} is damaged.", "Restore it from a backup."
            )
        return data

    def _path(self, reference: str) -> str:
        if not _REFERENCE.fullmatch(reference):
            raise ValueError(f"photo reference: got {reference!r}, allowed aa/<sha256>.jpg or .png")
        return f"{self._root.rstrip('/')}/{reference}"


def _protocols(store: Any) -> tuple[str, ...]:
    return (store.protocol,) if isinstance(store.protocol, str) else tuple(store.protocol)


def _write_locally(path: Path, data: bytes) -> None:
    if path.exists() and path.stat().st_size == len(data):
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".half-")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        os.replace(name, path)
        _sync_folder(path.parent)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _sync_folder(folder: Path) -> None:
    """Make the new name itself last through a power cut; Windows has no such call."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

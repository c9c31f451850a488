"""A real server process of the app for browser tests and screenshots, and where samples lie."""

import contextlib
import http.client
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from pathlib import Path

from ui.access import COOKIE

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SAMPLES = Path(__file__).parent.parent / "sample_images"


def sample(quantity: str, number: int = 0) -> Path:
    """A sample photo of a quantity that has a true value."""
    truth = json.loads((SAMPLES / "truth.json").read_text("utf-8"))
    photos = truth.get("photos", truth)
    names = sorted(
        name for name, entry in photos.items() if entry["quantity"] == quantity and entry["usable"]
    )
    return SAMPLES / names[number]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Server:
    """A shared server process and the link that it printed for this computer."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        environment = os.environ | {
            "DECKPLUMB_DATA": str(folder),
            "DECKPLUMB_DB": str(folder / "logbook.sqlite"),
            "DECKPLUMB_PHOTOS": str(folder / "photos"),
            "OMP_NUM_THREADS": "1",
            "PYTHONUNBUFFERED": "1",
        }
        self.log = folder / "server.log"
        with self.log.open("w", encoding="utf-8") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "ui.cli", "app", "--share", "--port", str(self.port)],
                stdout=out,
                stderr=subprocess.STDOUT,
                env=environment,
            )
        try:
            self.link = self._wait_for_link()
            self.code = self.link.split("k=")[1]
            self._wait_for_health()
        except BaseException:
            self.stop()
            raise

    def _wait_for_link(self) -> str:
        for _ in range(600):
            said = self.log.read_text("utf-8")
            found = re.search(r"http://localhost:\d+/\?k=\S+", said)
            if found:
                return found.group()
            assert self.process.poll() is None, said
            time.sleep(0.1)
        raise AssertionError(self.log.read_text("utf-8"))

    def _wait_for_health(self) -> None:
        for _ in range(300):
            try:
                if self.get("/_stcore/health")[0] == 200:
                    return
            except OSError:
                pass
            time.sleep(0.1)
        raise AssertionError("the server never answered")

    def get(self, path: str, cookie: bool = True) -> tuple[int, bytes]:
        return self._ask("GET", path, {"Cookie": f"{COOKIE}={self.code}"} if cookie else {})

    def post(self, body: bytes, name: str) -> tuple[int, dict]:
        headers = {
            "Cookie": f"{COOKIE}={self.code}",
            "X-Deckplumb": "photo",
            "X-Photo-Name": name,
        }
        status, answer = self._ask("POST", "/inbox", headers, body)
        return status, json.loads(answer)

    def _ask(self, method, path, headers, body=None) -> tuple[int, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        with contextlib.closing(connection):
            headers = {"Host": f"localhost:{self.port}", "Connection": "close"} | headers
            connection.request(method, path, body=body, headers=headers)
            answer = connection.getresponse()
            return answer.status, answer.read()

    def memory_mb(self) -> float:
        status = Path(f"/proc/{self.process.pid}/status").read_text("ascii")
        return int(re.search(r"VmRSS:\s+(\d+)", status).group(1)) / 1024

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()

"""`deckplumb app`: starts the browser app with our routes, our gate and every option spelt out.

In: whether to share on the home network, and a port. Out: a running server, and the exit code.
By default only this computer can reach it (127.0.0.1). With ``share`` it listens on all addresses
and serves nothing without the access code printed as a QR code. No configuration file is read and
nothing outside is asked: usage statistics, the welcome message and the e-mail prompt are off.
"""

from __future__ import annotations

import contextlib
import io
import os
import socket
import sys
import threading
import traceback
import webbrowser
from pathlib import Path
from typing import Any

import segno

from ui import theme
from ui.access import PARAMETER, new_code

LOCAL_HOSTS = ("localhost", "127.0.0.1", "::1")
PORT_RANGE = (1024, 65535)

# What the "connect a phone" page needs to know about the server it runs in.
STATUS: dict[str, Any] = {"share": False, "code": None, "links": ()}


def run_app(share: bool, port: int) -> int:
    """Serve the app until stopped.

    Parameters
    ----------
    share : bool
        Listen on the home network too, behind an access code.
    port : int
        1024 to 65535.

    Returns
    -------
    int
        0 when stopped by the person, 1 when the port is taken or the server cannot start.

    Raises
    ------
    ValueError
        For a port outside the range.
    """
    low, high = PORT_RANGE
    if not low <= port <= high:
        raise ValueError(f"port: expected {low} to {high}, got {port}")
    address = "0.0.0.0" if share else "127.0.0.1"
    if not _free(address, port):
        print(
            f"Port {port} is taken by another program. Try: deckplumb app --port {port + 1}",
            file=sys.stderr,
        )
        return 1
    code = new_code() if share else None
    addresses = _home_addresses() if share else ()
    names = (*addresses, *_own_names()) if share else ()
    STATUS.update(share=share, code=code, links=_links(addresses, port, code), port=port)
    _announce(share, port, code)
    if not share and sys.stdout.isatty() and _has_display():
        threading.Timer(1.5, webbrowser.open, [f"http://localhost:{port}/"]).start()
    app = build_app((*LOCAL_HOSTS, *names), code)
    try:
        app.run(config=options(address, port, (*LOCAL_HOSTS, *names)))
    except KeyboardInterrupt:
        return 0
    except SystemExit as stop:
        return 0 if stop.code in (None, 0) else 1
    return 0


def build_app(hosts: tuple[str, ...], code: str | None) -> Any:
    """Return the `streamlit.App` with our routes and the access gate."""
    import streamlit as st
    from starlette.middleware import Middleware

    from ui.access import Gate
    from ui.inbox import routes

    return st.App(
        Path(__file__).with_name("app.py"),
        routes=routes(),
        middleware=[Middleware(Gate, hosts=hosts, code=code)],
        on_script_error=_our_fault,
    )


def options(address: str, port: int, hosts: tuple[str, ...]) -> dict[str, object]:
    """Every server option that differs from Streamlit's own, by its dotted name."""
    return {
        "server.address": address,
        "server.port": port,
        "server.headless": True,
        "server.showEmailPrompt": False,
        "server.allowedHosts": list(hosts),
        "server.fileWatcherType": "none",
        "server.runOnSave": False,
        "server.maxUploadSize": 64,
        "server.enableAgentApi": False,
        "server.disconnectedSessionTTL": 120,
        "browser.gatherUsageStats": False,
        "logger.hideWelcomeMessage": True,
        "logger.level": "warning",
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "type",
        "client.showErrorLinks": False,
        **theme.OPTIONS,
    }


def qr_svg(link: str, scale: int = 6) -> str:
    """QR code of a link as SVG text, dark on white with its quiet zone, readable in any theme."""
    out = io.BytesIO()
    segno.make(link, error="m").save(
        out, kind="svg", scale=scale, border=4, dark="#101418", light="#ffffff", xmldecl=False
    )
    return out.getvalue().decode("utf-8").strip()


def _our_fault(error: Exception) -> bool:
    """Say it plainly on the page, keep the trace for the terminal."""
    import streamlit as st

    from bench.logbook import LogbookError

    if isinstance(error, LogbookError):
        st.error(f"{error.reason} {error.advice}", icon=":material/error:")
        return True
    traceback.print_exception(error)
    if isinstance(error, OSError):
        words = f"The disk of this computer said: {error.strerror or error}. Free some space, or "
        st.error(words + "check that the data folder may be written.", icon=":material/error:")
        return True
    st.error(
        "Something went wrong here, and it is our fault, not yours. Photos and log are kept. "
        f"Reload the page; if it comes back, tell the project ({type(error).__name__}).",
        icon=":material/error:",
    )
    return True


def _links(names: tuple[str, ...], port: int, code: str | None) -> tuple[str, ...]:
    return tuple(f"http://{name}:{port}/?{PARAMETER}={code}" for name in names)


def _announce(share: bool, port: int, code: str | None) -> None:
    if not share:
        print(f"Deckplumb is at http://localhost:{port}/  (this computer only; Ctrl-C stops it)")
        print("To use a phone on the same network: deckplumb app --share")
        sys.stdout.flush()
        return
    links = STATUS["links"]
    if links:
        with contextlib.suppress(UnicodeEncodeError):
            segno.make(links[0], error="m").terminal(out=sys.stdout, compact=True)
        print("Scan with the phone's camera, or type one of:")
        for link in links:
            print(f"  {link}")
    else:
        print("This computer has no home network address at the moment: connect it first.")
    print(f"On this computer: http://localhost:{port}/?{PARAMETER}={code}")
    print(
        "Whoever has the code can see and add photos. Plain http can be overheard: use it on a "
        "network you trust. Ctrl-C stops it; the code changes at each start."
    )
    sys.stdout.flush()


def _home_addresses() -> tuple[str, ...]:
    """Addresses of this computer on its own network, the likeliest first; asks nobody."""
    found: list[str] = []
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        # Connecting a datagram socket sends nothing: it only picks the outgoing interface.
        probe.connect(("192.0.2.1", 9))
        found.append(probe.getsockname()[0])
    with contextlib.suppress(OSError):
        found.extend(
            str(info[4][0])
            for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        )
    usable = [a for a in found if not a.startswith(("127.", "0."))]
    return tuple(dict.fromkeys(usable))


def _own_names() -> tuple[str, ...]:
    """Names under which the home network may know this computer."""
    name = socket.gethostname().lower().removesuffix(".local")
    return (name, f"{name}.local") if name and name != "localhost" else ()


def _free(address: str, port: int) -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        if os.name != "nt":
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError:
            return False
    return True


def _has_display() -> bool:
    return sys.platform in ("win32", "darwin") or bool(
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    )


if __name__ == "__main__":
    import argparse

    parser = argparse.ArgumentParser()
    parser.add_argument("--share", action="store_true")
    parser.add_argument("--port", type=int, default=8501)
    given = parser.parse_args()
    # Not this module's own copy: the views import `ui.server`, and share its STATUS.
    from ui.server import run_app as run

    raise SystemExit(run(given.share, given.port))

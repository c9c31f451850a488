"""The gate, the inbox and the server's options, driven at the ASGI level with real bytes."""

import asyncio
import io
import json
import re
from urllib.parse import quote

import pytest
from PIL import Image

from ui import inbox as inbox_module
from ui import theme
from ui.access import COOKIE, Gate, new_code
from ui.inbox import Inbox, NotAccepted, routes
from ui.server import options, qr_svg, run_app

CODE = "testcode-0123456789"
HOST = "192.0.2.10"


def jpeg(width: int = 640, height: int = 480, shade: int = 120, **save) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (width, height), (shade, 90, 60)).save(out, "JPEG", **save)
    return out.getvalue()


async def _inner(scope, receive, send):
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.accept"})
        return
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"inside"})


def call(app, path="/", kind="http", query="", headers=(), method="GET", body=b""):
    """One request to an ASGI app; returns status (or close code), headers, body."""
    sent = []
    chunks = [body[i : i + 65536] for i in range(0, len(body), 65536)] or [b""]
    messages = (
        [{"type": "websocket.connect"}]
        if kind == "websocket"
        else [
            {"type": "http.request", "body": c, "more_body": i < len(chunks) - 1}
            for i, c in enumerate(chunks)
        ]
    )

    async def receive():
        if not messages:
            await asyncio.Event().wait()  # the client stays connected
        return messages.pop(0)

    async def send(message):
        sent.append(message)

    scope = {
        "type": kind,
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "scheme": "http" if kind == "http" else "ws",
        "query_string": query.encode(),
        "headers": [(k.lower().encode(), v.encode()) for k, v in headers],
        "client": ("192.0.2.99", 50000),
        "server": (HOST, 8640),
        "http_version": "1.1",
        "asgi": {"version": "3.0"},
    }
    asyncio.run(app(scope, receive, send))
    first = sent[0]
    if first["type"].startswith("websocket"):
        return first["type"], first.get("code"), b""
    got = dict(first["headers"])
    return first["status"], got, b"".join(m.get("body", b"") for m in sent[1:])


def gate(code=CODE):
    return Gate(_inner, hosts=("localhost", HOST), code=code)


HOSTED = [("host", f"{HOST}:8640")]


@pytest.mark.parametrize(
    "path", ["/", "/inbox", "/_stcore/health", "/_stcore/stream", "/static/a.js"]
)
def test_nothing_is_served_without_the_code(path):
    status, headers, body = call(gate(), path, headers=HOSTED)
    assert status == 403
    assert b"inside" not in body
    assert b"access code" in body
    assert b"set-cookie" not in headers


def test_a_websocket_without_the_code_is_closed_before_it_opens():
    assert call(gate(), "/_stcore/stream", kind="websocket", headers=HOSTED)[:2] == (
        "websocket.close",
        4403,
    )


@pytest.mark.parametrize("wrong", ["", "x", CODE[:-1], CODE + "x", CODE.upper()])
def test_a_wrong_code_opens_nothing(wrong):
    assert call(gate(), "/", query=f"k={wrong}", headers=HOSTED)[0] == 403
    cookie = [*HOSTED, ("cookie", f"{COOKIE}={wrong}")]
    assert call(gate(), "/", headers=cookie)[0] == 403
    assert call(gate(), "/x", kind="websocket", headers=cookie)[0] == "websocket.close"


def test_the_link_becomes_a_cookie_and_the_code_leaves_the_address():
    status, headers, _ = call(gate(), "/read", query=f"q=rake&k={CODE}", headers=HOSTED)
    assert status == 303
    assert headers[b"location"] == b"/read?q=rake"
    cookie = headers[b"set-cookie"].decode()
    assert "HttpOnly" in cookie and "SameSite=Lax" in cookie and "Path=/" in cookie
    with_cookie = [*HOSTED, ("cookie", f"other=1; {cookie.split(';')[0]}")]
    assert call(gate(), "/", headers=with_cookie)[2] == b"inside"
    assert call(gate(), "/x", kind="websocket", headers=with_cookie)[0] == "websocket.accept"
    again = call(gate(), "/walk", query="k=an-old-one", headers=with_cookie)
    assert (again[0], again[1][b"location"]) == (303, b"/walk")


def test_the_redirect_stays_on_this_host():
    _, headers, _ = call(gate(), "//elsewhere.example/x", query=f"k={CODE}", headers=HOSTED)
    assert headers[b"location"] == b"/elsewhere.example/x"


@pytest.mark.parametrize("host", ["elsewhere.example", "localhost.elsewhere.example", "", "[::9]"])
def test_another_host_name_is_turned_away(host):
    assert call(gate(None), "/", headers=[("host", host)])[0] == 421
    assert call(gate(None), "/", kind="websocket", headers=[("host", host)])[0] == "websocket.close"


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:8640", f"{HOST}:8640"])
def test_its_own_host_names_are_served_and_told_not_to_ask_outside(host):
    status, headers, body = call(gate(None), "/", headers=[("host", host)])
    assert (status, body) == (200, b"inside")
    policy = headers[b"content-security-policy"].decode()
    assert "default-src 'self'" in policy
    assert not re.search(r"https?://", policy)


@pytest.mark.parametrize("origin", ["http://elsewhere.example", "null", f"http://{HOST}:1"])
@pytest.mark.parametrize("kind", ["http", "websocket"])
def test_a_page_of_another_site_gets_nothing(kind, origin):
    first = call(gate(None), "/x", kind=kind, headers=[*HOSTED, ("origin", origin)])[0]
    assert first == (403 if kind == "http" else "websocket.close")


def test_its_own_pages_are_served():
    own = [*HOSTED, ("origin", f"http://{HOST}:8640")]
    assert call(gate(None), "/x", kind="websocket", headers=own)[0] == "websocket.accept"


def test_codes_differ_and_have_128_bits():
    codes = {new_code() for _ in range(50)}
    assert len(codes) == 50
    assert all(len(c) >= 22 for c in codes)  # 128 bits in base64url


@pytest.fixture
def box(tmp_path, monkeypatch):
    monkeypatch.setenv("DECKPLUMB_DATA", str(tmp_path))
    return Inbox(tmp_path / "inbox")


@pytest.fixture
def server(box):
    from starlette.applications import Starlette

    return Starlette(routes=routes())


def post(server, body, name="photo.jpg", **headers):
    given = {"host": HOST, "x-deckplumb": "photo", "x-photo-name": quote(name)} | headers
    status, _, answer = call(
        server, "/inbox", headers=list(given.items()), method="POST", body=body
    )
    return status, json.loads(answer)


def test_a_photo_arrives_upright_and_comes_back_as_a_preview(server):
    exif = Image.Exif()
    exif[0x0112] = 6  # turn a quarter clockwise to show
    status, arrival = post(server, jpeg(3000, 2000, exif=exif), "IMG 1 é.jpg")
    assert status == 201
    assert (arrival["width"], arrival["height"]) == (2000, 3000)
    assert arrival["name"] == "IMG 1 é.jpg"
    status, headers, body = call(server, f"/inbox/{arrival['id']}/preview.jpg")
    assert status == 200 and headers[b"content-type"] == b"image/jpeg"
    preview = Image.open(io.BytesIO(body))
    assert preview.size == (1067, 1600)
    assert not preview.getexif()
    full = Image.open(io.BytesIO(call(server, f"/inbox/{arrival['id']}/full.jpg")[2]))
    assert full.size == (2000, 3000)


def test_the_same_photo_sent_twice_is_one_photo(server, box):
    first, second = post(server, jpeg()), post(server, jpeg(), "again.jpg")
    assert first[1]["id"] == second[1]["id"]
    assert len(box.recent(10)) == 1


@pytest.mark.parametrize(
    ("body", "status", "words"),
    [
        (b"", 422, "empty"),
        (b"MZ\x90\x00" + bytes(4000), 415, "not a photo"),
        (b"<html><script>alert(1)</script>", 415, "not a photo"),
        (jpeg()[:700], 422, "damaged"),
        (b"\xff\xd8\xff" + bytes(500), 422, ""),
        (jpeg(20, 20), 422, "pixels"),
    ],
    ids=["empty", "program", "page", "cut off", "only a start", "tiny"],
)
def test_what_is_not_a_photo_is_refused_in_plain_words(server, box, body, status, words):
    got, answer = post(server, body)
    assert got == status
    assert words in answer["reason"]
    assert answer["advice"]
    assert not list(box.folder.glob("incoming-*"))
    assert not list(box.folder.glob("*.file"))


def test_too_many_bytes_are_cut_off(server, box, monkeypatch):
    monkeypatch.setattr(inbox_module, "MAX_PHOTO_BYTES", 20_000)
    status, answer = post(server, b"\xff\xd8\xff" + bytes(200_000))
    assert status == 413 and "larger" in answer["reason"]
    assert not list(box.folder.glob("incoming-*"))


def test_too_many_pixels_are_refused_before_decoding(server):
    import struct
    import zlib

    def chunk(kind, data):
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", 30000, 30000, 8, 2, 0, 0, 0)
    bomb = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", b"") + chunk(b"IEND", b"")
    status, answer = post(server, bomb, "bomb.png")
    assert status == 422 and "pixels" in answer["reason"]


@pytest.mark.parametrize(
    "headers",
    [{"origin": "http://elsewhere.example"}, {"x-deckplumb": ""}, {"origin": "null"}],
)
def test_another_site_cannot_post(server, headers):
    assert post(server, jpeg(), **headers)[0] == 403


@pytest.mark.parametrize(
    "path",
    [
        "/inbox/../../etc/passwd/preview.jpg",
        "/inbox/zz/preview.jpg",
        "/inbox/" + "a" * 20 + "/x.jpg",
    ],
)
def test_only_known_pictures_are_served(server, path):
    assert call(server, path)[0] == 404


def test_a_name_cannot_leave_the_folder_or_carry_markup(server):
    _, arrival = post(server, jpeg(), "../../<b>evil</b>.jpg")
    assert arrival["name"] == "b>.jpg".replace(">", "")


def test_forty_photos_leave_two_decoded_ones_in_memory(box):
    for n in range(40):
        arrival = box.add(jpeg(shade=6 * n), f"{n}.jpg")
        box.photo(arrival.id)
    assert len(box._photos) == inbox_module.PHOTOS_IN_MEMORY
    assert len(box.recent(100)) == 40


def test_old_files_make_room(box, monkeypatch):
    monkeypatch.setattr(inbox_module, "KEEP_FILES", 3)
    for n in range(5):
        box.add(jpeg(shade=6 * n), f"{n}.jpg")
    assert len(list(box.folder.glob("*.file"))) == 3


def test_a_full_disk_is_said_so(server, box, monkeypatch):
    def full(*_args, **_kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(inbox_module.tempfile, "mkstemp", full)
    status, answer = post(server, jpeg())
    assert status == 507 and "No space left" in answer["reason"]


@pytest.mark.parametrize("kind", ["HEIF", "PNG", "WEBP", "TIFF"])
def test_other_still_formats_arrive(box, kind):
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    out = io.BytesIO()
    Image.new("RGB", (640, 480), (10, 200, 30)).save(out, kind)
    arrival = box.add(out.getvalue(), f"x.{kind.lower()}")
    assert (arrival.kind, arrival.width, arrival.height) == ("photo", 640, 480)


def test_a_heic_photo_without_its_decoder_is_refused_in_words(server, monkeypatch):
    import sys

    import pillow_heif

    pillow_heif.register_heif_opener()
    out = io.BytesIO()
    Image.new("RGB", (640, 480), (10, 200, 30)).save(out, "HEIF")
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    status, answer = post(server, out.getvalue(), "x.heic")
    assert status == 422
    assert "pillow_heif" in answer["reason"] and "JPEG" in answer["advice"]


def test_a_48_megapixel_photo_arrives(server):
    status, arrival = post(server, jpeg(8064, 6048), "big.jpg")
    assert status == 201
    assert arrival["width"] / arrival["height"] == pytest.approx(8064 / 6048, rel=1e-3)


def test_a_video_is_kept_without_a_picture(box):
    arrival = box.add(b"\x00\x00\x00\x20ftypisom" + bytes(100), "turn.mp4")
    assert arrival.kind == "video"
    assert box.picture(arrival.id, "preview") is None


def test_the_inbox_refuses_in_words(box):
    with pytest.raises(NotAccepted, match="empty"):
        box.add(b"", "x.jpg")


def test_every_server_option_exists_and_nothing_is_told_outside():
    from streamlit import config

    given = options("127.0.0.1", 8640, ("localhost",))
    known = config._config_options_template
    assert [k for k in given if k not in known] == []
    assert given["browser.gatherUsageStats"] is False
    assert given["server.address"] == "127.0.0.1"
    assert given["server.allowedHosts"] == ["localhost"]


def test_a_fault_of_ours_is_said_plainly_on_the_page(tmp_path):
    from streamlit.testing.v1 import AppTest

    script = tmp_path / "page.py"
    script.write_text(
        "from ui.server import _our_fault\n"
        "from bench.logbook import LogbookError\n"
        "for e in (LogbookError('The disk is full.', 'Free some.'), OSError(28, 'No space'),\n"
        "          RuntimeError('x')):\n"
        "    assert _our_fault(e) is True\n"
    )
    app = AppTest.from_file(str(script)).run()
    assert not app.exception
    said = [e.value for e in app.error]
    assert said[0] == "The disk is full. Free some."
    assert "No space" in said[1]
    assert "our fault" in said[2] and "RuntimeError" in said[2]


def test_a_wrong_port_is_named():
    with pytest.raises(ValueError, match=r"port: expected 1024 to 65535, got 80"):
        run_app(share=False, port=80)


def test_a_taken_port_is_said_so(capsys):
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert run_app(share=False, port=port) == 1
    assert f"Port {port} is taken" in capsys.readouterr().err


def test_the_qr_code_says_the_link():
    """Decoded with OpenCV's own reader (cv2.QRCodeDetector), not with the writer."""
    from xml.etree import ElementTree

    import cv2
    import numpy as np

    link = f"http://{HOST}:8640/?k={CODE}"
    root = ElementTree.fromstring(qr_svg(link))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    side = int(root.get("width")) // 6
    grid = np.ones((side, side), np.uint8)
    dark = next(p for p in root.iter() if p.get("class") == "qrline")
    x = y = 0.0
    for step in re.findall(r"([Mmh])(-?[\d.]+)(?: (-?[\d.]+))?", dark.get("d")):
        if step[0] == "h":
            grid[int(y), int(x) : int(x + float(step[1]))] = 0
            x += float(step[1])
        elif step[0] == "M":
            x, y = float(step[1]), float(step[2])
        else:
            x, y = x + float(step[1]), y + float(step[2])
    picture = np.kron(grid * 255, np.ones((6, 6), np.uint8))
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == link


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(a: str, b: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it (w3.org/TR/WCAG22, "contrast ratio")."""
    high, low = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("palette", [theme.LIGHT, theme.DARK], ids=["light", "dark"])
def test_text_has_a_contrast_of_at_least_four_and_a_half(palette):
    ground, second = palette["backgroundColor"], palette["secondaryBackgroundColor"]
    for text in ("textColor", "linkColor", "codeTextColor"):
        assert _contrast(palette[text], ground) >= 4.5
        assert _contrast(palette[text], second) >= 4.5
    for hue in ("green", "red", "orange", "blue", "yellow"):
        pair = palette[f"{hue}TextColor"], palette[f"{hue}BackgroundColor"]
        assert _contrast(*pair) >= 4.5
        assert _contrast(palette[f"{hue}TextColor"], ground) >= 4.5
    assert _contrast(palette["grayTextColor"], ground) >= 4.5
    assert _contrast("#ffffff", palette["primaryColor"]) >= 4.5


def test_every_state_has_a_sign_and_a_word():
    from bench.steps import STATUSES

    assert set(STATUSES) <= set(theme.STATE_SIGNS)
    assert all(sign and word for sign, word, _ in theme.STATE_SIGNS.values())

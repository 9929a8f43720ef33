"""Who may talk to the bench, what may reach the disk.

Rules: the public cheat sheets on DNS rebinding, cross-site request forgery, path traversal and file upload
(common practice, from memory); sizes are the server's own settings.
"""

from __future__ import annotations

import io
import struct
import zlib

import httpx
import pytest
from PIL import Image
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from icewright.bench.app import create_app
from icewright.bench.photos import read_picture
from icewright.bench.security import BenchError, host_allowed, inside, origin_allowed, plain_name
from icewright.bench.settings import Settings
from icewright.ground.errors import IcewrightError


def call(settings, path="/api/about", method="GET", **more):
    async def ask():
        app = create_app(settings)
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8717") as client:
            return await client.request(method, path, **more)

    import asyncio

    return asyncio.run(ask())


def test_loopback_by_default_and_a_token_elsewhere(tmp_path) -> None:
    assert Settings(folder=tmp_path).loopback and Settings(folder=tmp_path).token is None
    open_to_others = Settings(folder=tmp_path, host="0.0.0.0")
    assert len(open_to_others.token) >= 24
    assert open_to_others.token != Settings(folder=tmp_path, host="0.0.0.0").token
    assert "token=" in open_to_others.address()
    with pytest.raises(IcewrightError):
        Settings(folder=tmp_path / "nowhere")


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "192.168.0.7", "[::2]:8717"])
def test_names_that_are_not_ours_are_refused(tmp_path, host) -> None:
    assert not host_allowed(host, Settings(folder=tmp_path))
    answer = call(Settings(folder=tmp_path), headers={"host": host})
    assert answer.status_code == 403
    assert answer.json()["error"]["message"]


@pytest.mark.parametrize("host", ["127.0.0.1:8717", "localhost:8717", "[::1]:8717", "localhost"])
def test_loopback_names_are_ours(tmp_path, host) -> None:
    assert host_allowed(host, Settings(folder=tmp_path))


def test_bound_to_all_addresses_a_literal_address_is_ours_and_a_strange_name_is_not(tmp_path) -> None:
    settings = Settings(folder=tmp_path, host="0.0.0.0", extra_hosts=("cold-room",))
    assert host_allowed("192.168.0.7:8717", settings) is False or settings.token
    assert host_allowed("cold-room:8717", settings)
    assert not host_allowed("evil.example", settings)


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1:9999", "http://localhost.evil.example"]
)
def test_pages_of_other_origins_may_not_act(tmp_path, origin) -> None:
    assert not origin_allowed(origin, "127.0.0.1:8717", Settings(folder=tmp_path))
    answer = call(Settings(folder=tmp_path), "/api/sessions", "POST", json={}, headers={"origin": origin})
    assert answer.status_code == 403
    assert not (tmp_path / ".icewright-bench").exists()


def test_cross_site_forms_may_not_act(tmp_path) -> None:
    answer = call(
        Settings(folder=tmp_path), "/api/sessions", "POST", json={}, headers={"sec-fetch-site": "cross-site"}
    )
    assert answer.status_code == 403


def test_the_token_lets_in_by_cookie_header_and_first_address(tmp_path) -> None:
    settings = Settings(folder=tmp_path, host="0.0.0.0", token="open-sesame-0123456789")
    assert call(settings).status_code == 401
    assert call(settings, headers={"authorization": "Bearer wrong"}).status_code == 401
    # the API does not take it from the query, as addresses end in logs
    assert call(settings, "/api/about?token=open-sesame-0123456789").status_code == 401
    assert call(settings, headers={"authorization": f"Bearer {settings.token}"}).status_code == 200
    first = call(settings, f"/?token={settings.token}")
    cookie = first.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie
    assert call(settings, headers={"cookie": cookie.split(";")[0]}).status_code == 200


def test_answers_keep_the_browser_from_doing_more_than_needed(tmp_path) -> None:
    answer = call(Settings(folder=tmp_path))
    assert "default-src 'self'" in answer.headers["content-security-policy"]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "access-control-allow-origin" not in answer.headers


def test_websocket_checks_the_same(served, star) -> None:
    url = f"ws://{served.host}/api/sessions/{star}/live"
    for headers in ({"Origin": "http://evil.example"}, {"Host": "evil.example"}):
        with pytest.raises((InvalidStatus, ConnectionClosed)):  # noqa: SIM117
            with connect(url, additional_headers=headers) as socket:
                socket.recv(timeout=5)
    with connect(url, additional_headers={"Origin": served.url}) as socket:
        socket.recv(timeout=10)


@pytest.mark.parametrize(
    "name",
    ["../evil", "..", ".", "", "a/b", "a\\b", "/etc/passwd", "C:evil", ".hidden", "nul.toml", "COM1",
     "a" * 200,
     "x\x00y", "ends.", "ends ", "a..b", "\u202etxt"],
)  # fmt: skip
def test_names_are_only_names(name) -> None:
    with pytest.raises(BenchError):
        plain_name(name)


def test_nothing_outside_the_folder(tmp_path) -> None:
    root = tmp_path / "root"
    (root / ".icewright-bench" / "x").mkdir(parents=True)
    (root / "link").symlink_to(tmp_path)
    for parts in (("..", "x"), ("/etc", "passwd"), ("link", "x"), (".icewright-bench", "x")):
        with pytest.raises(BenchError):
            inside(root, *parts)
    assert inside(root, "evening.toml") == root / "evening.toml"


@pytest.mark.parametrize(
    "line", ['kinetics = "/etc/hostname.toml"', 'kinetics = "../own.toml"', '[seed]\ncrystal = "/etc"']
)
def test_recipes_cannot_name_files_outside(served, line) -> None:
    head = 'kind = "icewright.recipe"\nschema = 1\n'
    seed = "" if "[seed]" in line else "[seed]\nradius_um = 5\nthickness_um = 5\n"
    steps = "[[step]]\ntemperature_c = -15\nsigma_percent = 2\nminutes = 1\n"
    answer = served.client.post("/api/sessions", json={"toml": f"{head}{line}\n{seed}{steps}"})
    assert answer.status_code == 403, answer.text
    assert answer.json()["error"]["message"] == "Only the chosen folder can be used."


def test_large_bodies_are_cut_off_while_they_arrive(tmp_path) -> None:
    settings = Settings(folder=tmp_path, json_bytes=1000)

    async def endless():
        for _ in range(1000):
            yield b" " * 1000

    answer = call(settings, "/api/sessions", "POST", content=endless())
    assert answer.status_code == 413
    assert answer.json()["error"]["message"]


def test_a_decompression_bomb_is_refused_before_it_is_unpacked() -> None:
    # A PNG of 50000 x 50000 pixels in a few kilobytes, written by the PNG specification (ISO/IEC 15948).
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    size = struct.pack(">IIBBBBB", 50000, 50000, 8, 0, 0, 0, 0)
    rows = chunk(b"IDAT", zlib.compress(bytes(100000)))
    bomb = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", size) + rows + chunk(b"IEND", b"")
    with pytest.raises(BenchError) as refused:
        read_picture(bomb, 40_000_000)
    assert refused.value.status == 413


@pytest.mark.parametrize(
    "data", [b"", b"hello", b"\x89PNG\r\n\x1a\n", b"GIF89a" + bytes(50), b"<svg onload='x'/>"]
)
def test_what_is_no_picture_is_refused(data) -> None:
    with pytest.raises(BenchError) as refused:
        read_picture(data, 40_000_000)
    assert refused.value.status == 415


def test_only_pixels_survive() -> None:
    out = io.BytesIO()
    exif = Image.Exif()
    exif[0x010E] = "where it was taken"
    Image.new("RGB", (8, 6), (10, 200, 30)).save(out, "JPEG", exif=exif)
    png, width, height, _ = read_picture(out.getvalue() + b"<script>", 1000)
    assert (width, height) == (8, 6)
    assert b"where it was taken" not in png and b"<script>" not in png
    assert png.startswith(b"\x89PNG")


def test_twelve_bit_pictures_are_stretched() -> None:
    import numpy as np

    out = io.BytesIO()
    Image.fromarray((np.arange(64, dtype=np.uint16) * 60).reshape(8, 8)).save(out, "TIFF")
    png, *_ = read_picture(out.getvalue(), 1000)
    values = np.asarray(Image.open(io.BytesIO(png)))
    assert values.min() == 0 and values.max() == 255


def test_photographs_over_http(served, star) -> None:
    out = io.BytesIO()
    Image.new("L", (100, 80), 90).save(out, "PNG")
    path = f"/api/sessions/{star}/photos"
    bad = served.client.post(path, files={"file": ("x.png", b"nothing")})
    assert bad.status_code == 415
    answer = served.client.post(path, files={"file": ("../../<b>evil</b>.png", out.getvalue())})
    assert answer.status_code == 201, answer.text
    photo = answer.json()
    assert "/" not in photo["name"] and "<" not in photo["name"]
    assert photo["width"] == 100
    got = served.client.get(f"{path}/{photo['number']}")
    assert got.headers["content-type"] == "image/png"
    placed = served.client.patch(f"{path}/{photo['number']}", json={"um_per_pixel": 0.5, "rotation_deg": 30})
    assert placed.json()["um_per_pixel"] == 0.5
    assert served.session(star)["photos"][0]["rotation_deg"] == 30
    assert served.client.delete(f"{path}/{photo['number']}").status_code == 204
    assert served.client.get(f"{path}/{photo['number']}").status_code == 404

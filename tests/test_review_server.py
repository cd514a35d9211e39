"""The server of a review: who gets an answer, and what."""

from __future__ import annotations

import http.client
import io
import json
import re
import socket
import stat
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")

from subgrade.review import connections, guard
from tests.review_nights import Served, copied, graded_night

FOREIGN = "https://example.org"


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    return graded_night(tmp_path_factory.mktemp("review"))


@pytest.fixture(scope="module")
def served(night, tmp_path_factory):
    with Served(copied(tmp_path_factory.mktemp("served"), night)) as server:
        yield server


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "LOCALHOST", "[::1]"])
def test_names_of_this_machine_are_answered(served, host):
    assert served.get("state", Host=f"{host}:{served.port}").status == 200


@pytest.mark.parametrize(
    "host",
    [
        "example.org",
        "example.org:{port}",
        "127.0.0.1",
        "127.0.0.1:1",
        "127.0.0.1.example.org:{port}",
        "0.0.0.0:{port}",
        "127.0.0.2:{port}",
        "localhost.:{port}",
        "user@127.0.0.1:{port}",
    ],
)
def test_a_name_that_leads_here_from_elsewhere_gets_nothing(served, host):
    for method, path in (("GET", "state"), ("GET", ""), ("GET", "tile/0/0/0/0")):
        answer = served.ask(method, path, Host=host.format(port=served.port))
        assert answer.status == 403
    body = json.dumps({"frame": 0, "word": "reject"}).encode()
    named = {"Host": host.format(port=served.port), "Origin": served.origin}
    assert served.ask("POST", "mark", body, **named).status == 403
    assert served.get("state").json["marks"] == {}


def test_two_hosts_or_none_get_nothing(served):
    line = f"GET {served.root}state HTTP/1.1\r\nConnection: close\r\n"
    own = f"Host: 127.0.0.1:{served.port}\r\n"
    for hosts in ("", own + own, own + "Host: example.org\r\n"):
        answer = served.raw(f"{line}{hosts}\r\n".encode())
        assert re.match(rb"HTTP/1.1 40[03]", answer)
    old = served.raw(f"GET {served.root}state HTTP/1.0\r\n\r\n".encode())
    assert b" 403 " in old.split(b"\r\n")[0]


@pytest.mark.parametrize(
    "origin",
    [FOREIGN, "null", "http://localhost", "http://127.0.0.1:1", "https://127.0.0.1:{port}"],
)
@pytest.mark.parametrize("method", ["GET", "HEAD", "POST", "PUT", "OPTIONS"])
def test_another_page_gets_nothing(served, method, origin):
    body = json.dumps({"frame": 1, "word": "reject"}).encode() if method == "POST" else None
    answer = served.ask(method, "mark", body, Origin=origin.format(port=served.port))
    assert answer.status == 403
    assert not [name for name in answer.headers if name.startswith("access-control")]
    assert served.get("state").json["marks"] == {}


def test_a_mark_must_come_from_the_page(served):
    body = json.dumps({"frame": 1, "word": "reject"}).encode()
    assert served.ask("POST", "mark", body).status == 403  # no Origin
    for site in ("cross-site", "same-site", "none"):
        named = {"Origin": served.origin, "Sec_Fetch_Site": site}
        assert served.ask("POST", "mark", body, **named).status == 403
        assert served.ask("POST", "undo", b"{}", **named).status == 403
    assert served.get("state").json["marks"] == {}


def test_a_picture_in_another_page_is_refused_and_a_link_is_not(served):
    site = {"Sec_Fetch_Site": "cross-site"}
    for mode in ("no-cors", "cors", "same-origin"):
        assert served.get("tile/0/0/0/0", Sec_Fetch_Mode=mode, **site).status == 403
    assert served.get("", Sec_Fetch_Mode="navigate", **site).status == 200


def test_nothing_is_told_without_the_token(served):
    token = served.root.strip("/")
    assert len(token) >= 32
    assert re.fullmatch(r"[\w-]+", token)
    places = ["/", "/state", "/x/state", f"/{token[:-1]}/state", f"/{token}x/state", f"/{token}"]
    places += [f"/{token.swapcase()}/state", f"//{token}/state", f"/%2e/{token}/state", "/mark"]
    found = [served.ask("GET", path, whole=True) for path in places]
    inside = [served.get(path) for path in ("nothing", "frame", "frame/", "state/", "tile/0/0/0")]
    answers = {(a.status, a.body.replace(b" ", b"")) for a in [*found, *inside]}
    assert answers == {(404, b'{"error":"notfound"}')}
    assert served.ask("GET", "http://example.org/", whole=True).status == 404


@pytest.mark.parametrize(
    "path",
    [
        "../",
        "..%2f..%2fetc/passwd",
        "frame/..",
        "frame/%2e%2e",
        "frame/0%2f..",
        "frame/0/../1",
        "frame/-1",
        "frame/99999",
        "frame/" + "9" * 5000,
        "frame/1.5",
        "frame/0x0",
        "frame/%00",
        "frame/١",
        "tile/0/0/0/" + "9" * 70,
        "tile/0/0/0/99",
        "tile/0/9/0/0",
        "tile/999/0/0/0",
        "tile/0/0/0/0?black=nan",
        "tile/0/0/0/0?black=inf&white=inf",
        "tile/0/0/0/0?black=10&white=10",
        "tile/0/0/0/0?black=1e400&white=1",
        "tile/0/0/0/0?softness=0",
        "tile/0/0/0/0?softness=1e-300",
        "tile/0/0/0/0?white=x",
        "tile/0/0/0/0?path=/etc/passwd",
        "tile/0/0/0/0?black=" + "1" * 400,
    ],
)
def test_what_makes_no_sense_is_the_askers_fault(served, path):
    line = f"GET {served.root}{path} HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n"
    answer = served.raw(f"{line}Connection: close\r\n\r\n".encode())
    assert re.match(rb"HTTP/1.1 4\d\d ", answer), answer[:60]
    assert b"root:" not in answer


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b"{}",
        b'{"frame": 0}',
        b'{"frame": 0, "word": "delete"}',
        b'{"frame": true, "word": "keep"}',
        b'{"frame": "0", "word": "keep"}',
        b'{"frame": -1, "word": "keep"}',
        b'{"frame": 1e400, "word": "keep"}',
        b'{"frame": NaN, "word": "keep"}',
        b'{"frame": 123456789012345678901234567890, "word": "keep"}',
        b'{"frame": 0, "word": ["keep"]}',
        b'{"frame": 0, "word": "keep", "word": "reject"}',
        b'{"frame": 0, "word": "keep", "more": 1}',
        b"[" * 1900,
        b"\xff\xfe",
        b"x" * 3000,
    ],
)
def test_a_mark_that_makes_no_sense_changes_nothing(served, body):
    own = {"Origin": served.origin}
    answer = served.ask("POST", "mark", body, **own)
    assert 400 <= answer.status < 500
    assert answer.json["error"]
    state = served.get("state").json
    assert state["marks"] == {}
    assert state["undo"] == 0


def test_a_body_said_to_be_too_long_is_not_waited_for(served):
    head = f"Host: 127.0.0.1:{served.port}\r\nOrigin: {served.origin}\r\n"
    line = f"POST {served.root}mark HTTP/1.1\r\n{head}Content-Length: {10**12}\r\n\r\n"
    began = time.monotonic()
    assert served.raw(line.encode()).startswith(b"HTTP/1.1 413 ")
    assert time.monotonic() - began < guard.BODY_S / 4


def test_a_number_that_is_none_is_named(served):
    answer = served.get("tile/0/0/0/0?black=a")
    assert answer.status == 400
    assert answer.json["error"] == "black: not a number"


def test_other_methods_are_refused(served):
    for method in ("PUT", "DELETE", "TRACE", "PATCH", "OPTIONS", "CONNECT", "FETCH"):
        assert served.ask(method, "state").status == 405
    assert served.ask("POST", "state", b"{}", Origin=served.origin).status == 405
    assert served.get("mark").status == 405


def test_every_answer_is_for_the_page_alone(served):
    answers = [
        served.get(""),
        served.get("state"),
        served.get("frame/0"),
        served.get("tile/0/0/0/0"),
        served.get("nothing"),
        served.get("state", Origin=FOREIGN),
        served.ask("PUT", "state"),
    ]
    assert [a.status for a in answers] == [200, 200, 200, 200, 404, 403, 405]
    for answer in answers:
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe-inline" not in policy.replace("style-src 'unsafe-inline'", "")
        assert "server" not in answer.headers
        assert not [name for name in answer.headers if name.startswith("access-control")]


def test_the_page_may_ask_its_server_and_nobody_else(served):
    answer = served.get("")
    text = answer.body.decode()
    meta = re.search(r'Content-Security-Policy" content="([^"]+)"', text)[1]
    for policy in (meta, answer.headers["content-security-policy"]):
        rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
        assert rules["connect-src"] == "'self'"
        assert rules["img-src"] == "'self' data: blob:"
        assert rules["default-src"] == "'none'"
    data = json.loads(re.search(r'id="data">(.*?)</script>', text, re.S)[1])
    assert data["review"] == served.get("state").json
    assert served.root not in text


def test_it_listens_on_this_machine_only(served):
    other = next(
        (
            address[4][0]
            for address in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
            if not address[4][0].startswith("127.")
        ),
        None,
    )
    if other is None:
        other = "127.0.0.2"  # another address of this machine: refused all the same
    with pytest.raises(OSError):  # noqa: PT011 - refused or unreachable
        socket.create_connection((other, served.port), timeout=2)


def test_a_head_that_does_not_end_is_not_waited_for(served, monkeypatch):
    monkeypatch.setattr(connections, "HEAD_S", 0.3)
    start = time.monotonic()
    for begun in (b"", b"GET / HTTP/1.1\r\n", b"GET / HTTP/1.1\r\nHost: x\r\n"):
        with socket.create_connection(("127.0.0.1", served.port), timeout=10) as stream:
            stream.sendall(begun)
            assert stream.recv(100) == b""
    assert time.monotonic() - start < 5


def test_a_head_that_trickles_in_is_not_waited_for(served, monkeypatch):
    monkeypatch.setattr(connections, "HEAD_S", 0.5)
    with socket.create_connection(("127.0.0.1", served.port), timeout=10) as stream:
        start = time.monotonic()
        with pytest.raises(OSError):  # noqa: PT012, PT011 - whichever way it is closed
            for k in range(100):
                stream.sendall(b"GET / HTTP/1.1\r\n" if k == 0 else b"x: y\r\n")
                time.sleep(0.05)
        assert time.monotonic() - start < 3


def test_a_body_that_does_not_come_is_not_waited_for(served, monkeypatch):
    monkeypatch.setattr(guard, "BODY_S", 0.3)
    head = (
        f"POST {served.root}mark HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n"
        f"Origin: {served.origin}\r\nContent-Length: 40\r\n\r\n"
    )
    answer = served.raw(head.encode() + b'{"frame"')
    assert answer.startswith(b"HTTP/1.1 408 ")


TIMES = 40


def test_an_answer_that_nobody_takes_is_dropped(served, monkeypatch):
    monkeypatch.setattr(connections, "SEND_S", 0.3)
    with socket.socket() as stream:
        stream.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        stream.connect(("127.0.0.1", served.port))
        stream.settimeout(10)
        head = f"GET {served.root} HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n\r\n"
        stream.sendall(head.encode() * TIMES)  # more than the buffers between them hold
        time.sleep(2.5)
        found = 0
        with suppress(ConnectionError):
            while part := stream.recv(1 << 16):
                found += len(part)
    assert 0 < found < TIMES * len(served.get("").body) / 2
    assert served.get("state").status == 200


def test_large_heads_and_bodies_are_refused(served):
    filler = "".join(f"X-{k}: {'y' * 900}\r\n" for k in range(40))
    line = f"GET {served.root}state HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n"
    assert re.match(rb"HTTP/1.1 4(00|31) ", served.raw(f"{line}{filler}\r\n".encode()))
    own = {"Origin": served.origin}
    assert served.ask("POST", "mark", b"x" * 100_000, **own).status == 413
    chunks = b"".join(b"3e8\r\n" + b"x" * 1000 + b"\r\n" for _ in range(20)) + b"0\r\n\r\n"
    head = (
        f"POST {served.root}mark HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n"
        f"Origin: {served.origin}\r\nTransfer-Encoding: chunked\r\n\r\n"
    )
    assert served.raw(head.encode() + chunks).startswith(b"HTTP/1.1 413 ")


def test_many_connections_do_not_end_it(served):
    streams = []
    try:
        for _ in range(2 * connections.MOST_CONNECTIONS + 20):
            streams.append(socket.create_connection(("127.0.0.1", served.port), timeout=5))
    finally:
        for stream in streams:
            stream.close()
    deadline = time.monotonic() + 20
    while not answers(served):
        assert time.monotonic() < deadline
        time.sleep(0.1)


def answers(served) -> bool:
    try:
        return served.get("state").status == 200
    except (OSError, ValueError):  # closed before it answered
        return False


def test_a_frame_and_its_tiles(served):
    frame = served.get("frame/0").json
    assert (frame["width"], frame["height"], frame["tile"], frame["levels"]) == (300, 220, 512, 1)
    assert frame["colour"] is False
    assert 0 <= frame["best"] < 9
    assert len(frame["stars"]) % 2 == 0
    answer = served.get("tile/0/0/0/0")
    assert answer.headers["content-type"] == "image/jpeg"
    assert Image.open(io.BytesIO(answer.body)).size == (300, 220)


def test_small_answers_do_not_wait_for_an_acknowledgement(served):
    """A server whose head and body leave apart waits 40 ms on Linux between them."""
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=20)
    taken = []
    for _ in range(40):
        start = time.perf_counter()
        connection.request("GET", f"{served.root}frame/0")
        assert connection.getresponse().read()
        taken.append(time.perf_counter() - start)
    connection.close()
    assert sorted(taken[20:])[5] < 0.035


def test_stars_are_where_the_frame_says(served):
    """Bright places of the picture, shown with +y up, are the listed stars."""
    frame = served.get("frame/0").json
    picture = np.asarray(Image.open(io.BytesIO(served.get("tile/0/0/0/0").body))).astype(float)
    places = np.reshape(frame["stars"], (-1, 2))[:20]
    seen = [picture[frame["height"] - 1 - round(y), round(x)] for x, y in places]
    assert np.median(seen) > np.median(picture) + 60


def test_the_subs_are_left_alone(night, tmp_path):
    subs = sorted(Path(night.paths[0]).glob("light_*"))
    before = [(p.read_bytes(), p.stat().st_mtime_ns) for p in subs]
    for path in subs:
        path.chmod(stat.S_IRUSR)
    with Served(copied(tmp_path, night)) as server:
        for k in range(len(subs)):
            assert server.get(f"tile/{k}/0/0/0").status == 200
        server.mark(0, "reject")
    assert before == [(p.read_bytes(), p.stat().st_mtime_ns) for p in subs]


@pytest.mark.slow
def test_colours_are_shown_on_a_grey_sky(tmp_path):
    """A colour sensor's sky is unlike in its channels (0.8, 1, 0.7 in practice nights)."""
    settings = graded_night(tmp_path, mosaic=True)
    with Served(Path(settings.out)) as server:
        frame = server.get("frame/0").json
        assert frame["colour"] is True
        picture = Image.open(io.BytesIO(server.get("tile/0/0/0/0").body))
        assert picture.mode == "RGB"
        colours = np.asarray(picture).astype(float)
    sky = np.median(colours.reshape(-1, 3), axis=0)
    assert np.ptp(sky) < 4
    assert 30 < sky.mean() < 70
    # stars keep their colours
    places = np.reshape(frame["stars"], (-1, 2))[:10]
    seen = np.array([colours[frame["height"] - 1 - round(y), round(x)] for x, y in places])
    assert seen.mean() > sky.mean() + 40
    assert np.ptp(seen, axis=1).max() > 15

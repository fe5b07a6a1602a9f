"""The server answers nobody without the key, and nobody but this machine."""

import http.client
import socket

import pytest

from xrfmap.errors import XrfmapError


def status(served, path, **headers):
    host, port = served.origin.removeprefix("http://").split(":")
    connection = http.client.HTTPConnection(host, int(port), timeout=30)
    try:
        connection.putrequest("GET", path, skip_host="Host" in headers)
        for name, value in headers.items():
            connection.putheader(name, value)
        connection.endheaders()
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def path_of(served):
    return served.address.removeprefix(served.origin)


def test_with_the_key_the_page_comes(served):
    code, body = status(served, path_of(served))
    assert code == 200
    # the title of the study is text, also where it looks like a tag
    assert b"Mill &lt;b&gt;by&lt;/b&gt; a frozen river" in body
    assert b"<b>by</b>" not in body


@pytest.mark.parametrize(
    "path",
    [
        "/", "/scan-2", "/ws", "/static/js/bokeh.min.js", "/autoload.js", "/metadata",
        "/wrong-key/", "/wrong-key/static/js/bokeh.min.js", "/..%2f..%2fetc/passwd", "//",
    ],
)  # fmt: skip
def test_without_the_key_everything_is_refused(served, path):
    code, body = status(served, path)
    assert code == 403
    assert path_of(served).strip("/").encode() not in body


def test_a_key_that_is_cut_or_prolonged_is_refused(served):
    key = path_of(served).strip("/")
    for wrong in (key[:-1], key + "x", key.swapcase(), f"x/{key}"):
        assert status(served, f"/{wrong}/")[0] == 403


def test_another_host_name_is_refused_even_with_the_key(served):
    # a page of another site whose name was made to lead to this machine
    port = served.origin.rsplit(":", 1)[1]
    for host in (f"evil.example:{port}", "evil.example", f"localhost:{port}"):
        assert status(served, path_of(served), Host=host)[0] == 403


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://localhost"])
def test_a_web_socket_from_another_page_is_refused(served, origin):
    upgrade = {
        "Upgrade": "websocket", "Connection": "Upgrade", "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==", "Origin": origin,
    }  # fmt: skip
    assert status(served, f"{path_of(served)}ws", **upgrade)[0] == 403


def test_scripts_come_from_the_server_itself(served):
    _, body = status(served, path_of(served))
    text = body.decode()
    assert "http://" not in text.replace("http://www.w3.org", "")
    assert "https://" not in text
    assert status(served, f"{path_of(served)}static/js/bokeh.min.js")[0] == 200


def test_nothing_listens_on_another_address(served):
    port = int(served.origin.rsplit(":", 1)[1])
    # any other address of the loopback range stands for the outside
    with socket.socket() as probe:
        probe.settimeout(5)
        assert probe.connect_ex(("127.0.0.2", port)) != 0


def test_a_taken_port_is_told(folder):
    from xrfmap.explore.server import Page
    from xrfmap.explore.subject import open_subject

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(XrfmapError, match=f"port {port}: .*--port"):
            Page(open_subject(folder / "mill.toml"), port)


def test_without_bokeh_it_is_said_how_to_get_it(monkeypatch, folder):
    import importlib.util

    from xrfmap.explore import explore

    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(XrfmapError, match=r"pip install 'xrfmap\[explore\]'"):
        explore(folder / "mill.toml")

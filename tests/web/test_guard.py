"""The list of what a page server must refuse: rebinding, other pages, missing key, other types, long and odd bodies."""

import json
import socket
import stat

import httpx
import pytest

from zonemap.web.guard import MOST_BYTES


@pytest.fixture(scope="module")
def page(tmp_path_factory, start_review):
    with start_review(tmp_path_factory.mktemp("guard")) as page:
        yield page


@pytest.fixture
def asking(page):
    address, _, key = page.address.partition("#")
    with httpx.Client(base_url=address, headers={"X-Zonemap-Key": key}, timeout=30) as client:
        yield client


def change(asking, wanted, revision=None, **headers):
    revision = asking.get("/api/state").json()["revision"] if revision is None else revision
    return asking.post("/api/change", json={"revision": revision, "change": wanted}, headers=headers)


def test_the_page_itself_is_given_out_with_a_strict_policy(asking):
    answer = asking.get("/")
    assert answer.status_code == 200
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "no-referrer"


def test_it_listens_on_the_loopback_address_alone(page):
    assert page.socket.getsockname()[0] == "127.0.0.1"


def test_another_host_name_is_refused(asking):
    assert asking.get("/", headers={"Host": "field.example"}).status_code == 400


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://field.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_other_pages_are_refused(asking, headers):
    assert asking.get("/api/state", headers=headers).status_code == 403
    assert change(asking, {"kind": "assurance", "assurance": 0.9}, **headers).status_code == 403


@pytest.mark.parametrize("key", ["", "guess"])
def test_without_the_key_of_this_run_nothing_is_told(asking, key):
    assert asking.get("/api/state", headers={"X-Zonemap-Key": key}).status_code == 403
    assert asking.get("/api/raster?layer=zones", headers={"X-Zonemap-Key": key}).status_code == 403


def test_only_json_is_read(asking):
    body = json.dumps({"revision": 0, "change": {"kind": "undo"}})
    answer = asking.post("/api/change", content=body, headers={"Content-Type": "text/plain"})
    assert answer.status_code == 415


def test_other_methods_are_refused(asking):
    assert asking.put("/api/change", json={}).status_code == 405
    assert asking.get("/api/change").status_code == 405


def test_long_bodies_are_refused_however_they_state_their_length(asking):
    long = b" " * (MOST_BYTES + 1)
    headers = {"Content-Type": "application/json"}
    assert asking.post("/api/change", content=long, headers=headers).status_code == 413
    assert asking.post("/api/change", content=iter([long]), headers=headers).status_code == 413


@pytest.mark.parametrize(
    "body",
    [
        '{"revision": 0, "change": {"kind": "assurance", "assurance": NaN}}',
        '{"revision": 0, "change": {"kind": "assurance", "assurance": Infinity}}',
        '{"revision": 0, "change": {"kind": "assurance", "assurance": 1e999}}',
        '{"revision": 0, "change": {"kind": "assurance", "assurance": 1.5}}',
        '{"revision": 0, "change": {"kind": "assurance", "assurance": "0.9"}}',
        '{"revision": 0, "change": {"kind": "assurance", "assurance": 0.9, "more": 1}}',
        '{"revision": 0, "change": {"kind": "zones", "count": 2.5}}',
        '{"revision": 0, "change": {"kind": "published", "folder": "x", "manifest_sha256": ""}}',
        '{"revision": 0, "change": {"kind": "other"}}',
        '{"revision": true, "change": {"kind": "undo"}}',
        "[" * 50_000,
        '{"revision": 0, "change": ',
        "\xff",
        "",
    ],
)
def test_odd_bodies_are_refused_and_change_nothing(asking, body):
    before = asking.get("/api/state").json()["revision"]
    content = body.encode("latin-1")
    answer = asking.post("/api/change", content=content, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422
    assert asking.get("/api/state").json()["revision"] == before


@pytest.mark.parametrize(
    "wanted",
    [
        {"kind": "rate", "zone": 99, "product": "urea", "on": "2026-06-05", "rate_kg_ha": 100.0},
        {"kind": "rate", "zone": 1, "product": "gold", "on": "2026-06-05", "rate_kg_ha": 100.0},
        {"kind": "rate", "zone": 1, "product": "urea", "on": "2026-06-05", "rate_kg_ha": 1000.0},
        {"kind": "zones", "count": 77},
        {"kind": "merge", "zones": [1, 98]},
        {"kind": "split", "zone": 1, "line": [[0.0, 0.0], [0.0, 0.0]]},
        {"kind": "split", "zone": 1, "line": [[0.0, 0.0], [1.0, 0.0]]},
        {"kind": "close", "polygon": [[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]},
        {"kind": "close", "polygon": [[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]], "why": "a well"},
        {"kind": "undo"},
        {"kind": "redo"},
    ],
)
def test_what_cannot_be_done_is_refused_with_its_mend_and_changes_nothing(asking, wanted):
    before = asking.get("/api/state").json()
    answer = change(asking, wanted)
    assert answer.status_code == 422
    assert len(answer.json()["error"]) > 10
    assert asking.get("/api/state").json() == before


def test_a_stale_revision_is_told_apart(asking):
    assert change(asking, {"kind": "assurance", "assurance": 0.9}, revision=7).status_code == 409


@pytest.mark.parametrize(
    "path", ["/../field.toml", "/%2e%2e/field.toml", "/vendor/../../app.py", "/static/page.css", "//"]
)
def test_no_other_file_is_given_out(page, path):
    key = page.address.partition("/#")[2]
    port = page.socket.getsockname()[1]
    with socket.create_connection(("127.0.0.1", port)) as line:
        line.sendall(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n".encode())
        answer = b""
        while part := line.recv(65536):
            answer += part
    assert answer.startswith(b"HTTP/1.1 404")
    assert key.encode() not in answer


def test_the_journal_is_for_its_owner_alone(page):
    mode = stat.S_IMODE(page.session.journal.path.stat().st_mode)
    assert mode == 0o600

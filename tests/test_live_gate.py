"""Who is let in to the live page: hosts, origins, keys, and what a socket may ask."""

from __future__ import annotations

import asyncio
import json
import re
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
import trimesh
from websockets.asyncio.client import connect
from websockets.exceptions import InvalidStatus

from linkview.errors import CannotWrite, LinkviewError
from linkview.kinematics.assemble import build_car
from linkview.live.as_variant import UNSAVED, built, variant_text
from linkview.live.client import Client
from linkview.live.document import Document
from linkview.live.edits import Edits, How, mesh_table, place, wheel_value
from linkview.live.gate import Gate, Pass
from linkview.live.meshfiles import mesh_coming
from linkview.model.bodies import MeshFile
from linkview.model.read import read_file
from tests.live_cases import Running, running
from tests.scene_cases import DEMO

SMALL = Path(__file__).parent / "small.toml"

HOST = {"host": "127.0.0.1:8000"}


@pytest.mark.parametrize(
    ("headers", "let_in"),
    [
        (HOST, True),
        ({"host": "localhost:8000"}, True),
        ({"host": "attacker.example:8000"}, False),  # a name made to point here
        ({}, False),
        ({**HOST, "origin": "http://127.0.0.1:8000"}, True),
        ({**HOST, "origin": "http://127.0.0.1:9000"}, False),
        ({**HOST, "origin": "http://attacker.example"}, False),
        ({**HOST, "origin": "null"}, False),
        ({**HOST, "sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}, False),
        ({**HOST, "sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}, True),
    ],
)
def test_only_our_own_pages_are_let_in(headers: dict[str, str], let_in: bool) -> None:
    assert (Gate(8000).judge("/", headers) is Pass.CHANGE) == let_in


def test_another_address_needs_a_key_and_one_key_only_looks() -> None:
    gate = Gate(8000, keyed=True)
    assert gate.judge("/", HOST) is Pass.REFUSED
    assert gate.judge("/?key=wrong", HOST) is Pass.REFUSED
    assert gate.judge(f"/?key={gate.look_key}", HOST) is Pass.LOOK
    assert gate.judge(f"/?key={gate.change_key}", HOST) is Pass.CHANGE
    cookie = {**HOST, "cookie": f"linkview_key={gate.look_key}"}
    assert gate.judge("/socket", cookie) is Pass.LOOK
    assert Gate(8000, keyed=True).change_key != gate.change_key
    assert len(gate.change_key) >= 32


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(tmp_path_factory.mktemp("home"), "view", str(SMALL)) as one:
        yield one


def test_a_real_server_refuses_other_hosts_and_origins(server: Running) -> None:
    request = urllib.request.Request(server.url, headers={"Host": "attacker.example"})
    with pytest.raises(urllib.error.HTTPError, match="403") as refused:
        urllib.request.urlopen(request)
    refused.value.close()
    with urllib.request.urlopen(server.url) as answer:
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy

    async def knock(origin: str | None) -> None:
        async with connect(f"{server.url.replace('http', 'ws')}socket", origin=origin):
            pass

    for origin in ("http://attacker.example", "null", None):
        with pytest.raises(InvalidStatus, match="403"):
            asyncio.run(knock(origin))  # type: ignore[arg-type]
    asyncio.run(knock(server.url.rstrip("/")))


def test_nonsense_over_the_socket_is_answered_in_words(server: Running) -> None:
    async def say() -> list[str]:
        origin = server.url.rstrip("/")
        out = []
        async with connect(f"{server.url.replace('http', 'ws')}socket", origin=origin) as line:
            await line.send("not json")
            await line.send(json.dumps({"do": "explode"}))
            await line.send(json.dumps({"do": "edit", "axle": "front", "how": "made_to_fit"}))
            while len(out) < 2:
                words = await asyncio.wait_for(line.recv(), 20)
                if isinstance(words, str) and json.loads(words)["kind"] == "refused":
                    out.append(json.loads(words)["words"])
        return out

    said = asyncio.run(say())
    assert any("'explode'" in words for words in said)
    assert not any("Traceback" in words for words in said)


# --- without a browser: edits, saving, queues ---------------------------------------------------


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LINKVIEW_HOME", str(tmp_path / "home"))
    return tmp_path


def test_edits_written_as_a_variant_read_back_as_the_same_car(home: Path) -> None:
    file = read_file(DEMO)
    edits = Edits("planned").with_point("front", How.MADE_TO_FIT, "strut_top", (-70.0, 538.5, 831))
    edits = edits.with_wheel("front", "spacer", 5.0)
    edits = edits.with_point("front", How.PARTS_KEPT, "strut_top", (-70.0, 530.0, 831))
    title = 'a "quoted" \\ title\nwith a line, \x7f and \u00e9'
    text = DEMO.read_text(encoding="utf-8") + "\n" + variant_text(file, edits, "mine", title)
    for mesh in DEMO.parent.glob("*.stl"):
        (home / mesh.name).write_bytes(mesh.read_bytes())
    path = home / "again.toml"
    path.write_text(text, encoding="utf-8")
    again = read_file(path)
    assert again.variant("mine").title == title
    assert "knuckle" not in again.variant("mine").change[0].parts  # only what is needed
    one, other = built(file, edits), build_car(again, "mine")
    assert one.variant == UNSAVED
    for a, b in zip(one.axles["front"].corners, other.axles["front"].corners, strict=True):
        for name, at in a.points.items():
            assert b.points[name] == pytest.approx(at, abs=1e-9)


def test_the_original_is_never_written_over(home: Path) -> None:
    path = home / "small.toml"
    path.write_bytes(SMALL.read_bytes())
    document = Document.opened(path, "as_found")
    point, at = next(iter(document.car.axles["front"].left.points.items()))
    where = (float(at[0]), float(at[1]) - 1.0, float(at[2]))
    document.change(lambda e: e.with_point("front", How.MADE_TO_FIT, point, where), "")
    with pytest.raises(CannotWrite, match="exists; choose another name"):
        document.save_as_file("small.toml", "mine", "")
    with pytest.raises(CannotWrite, match="plain file name"):
        document.save_as_file("../small2.toml", "mine", "")
    with pytest.raises(CannotWrite, match="no name for a variant"):
        document.save_as_file("new.toml", "my change", "")
    path.write_bytes(path.read_bytes() + b"\n# changed meanwhile\n")
    assert document.changed_on_disk()
    with pytest.raises(CannotWrite, match="changed on disk"):
        document.save_into_file("mine", "")
    assert sorted(p.name for p in home.glob("*.toml")) == ["small.toml"]


def test_history_is_kept_from_one_start_to_the_next(home: Path) -> None:
    path = home / "small.toml"
    path.write_bytes(SMALL.read_bytes())
    document = Document.opened(path, "as_found")
    point, at = next(iter(document.car.axles["front"].left.points.items()))
    for k in range(3):
        where = (float(at[0]), float(at[1]) - k - 1.0, float(at[2]))
        document.change(
            lambda e, w=where: e.with_point("front", How.MADE_TO_FIT, point, w), f"drag {k // 2}"
        )
    assert len(document.history) == 3  # two edits of one drag are one step
    document.step(-1)
    again = Document.opened(path, "as_found")
    assert again.restored
    assert again.edits == document.edits
    assert again.step(1)
    assert again.edits.changes[0].points[point][1] == float(at[1]) - 3.0
    again.forget()
    assert not Document.opened(path, "as_found").restored


@pytest.mark.parametrize("given", [None, [1, 2], [1, 2, "3"], [1, 2, float("nan")], [1, 2, 1e9]])
def test_a_place_is_three_sane_numbers(given: object) -> None:
    with pytest.raises(ValueError, match=r"number|check the unit"):
        place(given)


def test_a_wheel_key_has_a_range() -> None:
    with pytest.raises(ValueError, match="outside"):
        wheel_value("camber", 80)
    with pytest.raises(ValueError, match="did you mean 'camber'"):
        wheel_value("cambre", 1)


def test_of_moves_and_edits_only_the_newest_waits() -> None:
    async def take() -> list[object]:
        client = Client(None, writable=True)  # type: ignore[arg-type]
        for k in range(60):
            client.take({"do": "pose", "rack": k})
            client.take({"do": "edit", "at": k})
        return [await client.wanted(), await client.wanted(), client._newest, client._commands]

    edit, pose, newest, commands = asyncio.run(take())
    assert (edit, pose) == ({"do": "edit", "at": 59}, {"do": "pose", "rack": 59})
    assert not newest
    assert not commands


# --- meshes put in ------------------------------------------------------------------------------


def _took(name: str, content: bytes) -> Path:
    coming = mesh_coming(name, len(content))
    for at in range(0, len(content), 300):
        whole = coming.take(content[at : at + 300])
    assert whole
    return coming.kept()


def _with_mesh(home: Path, path: Path) -> Document:
    model = home / "small.toml"
    model.write_bytes(SMALL.read_bytes())
    document = Document.opened(model, "as_found")
    table = {"kind": "mesh", "file": str(path), "unit": "mm", "place_at": [0, 0, 1.5]}
    document.change(lambda e: e.with_mesh("front", "block", mesh_table(table)), "")
    return document


def test_a_mesh_comes_whole_or_not_at_all(home: Path) -> None:
    with pytest.raises(LinkviewError, match="500 MB; a mesh may be 400 MB"):
        mesh_coming("a.stl", 500_000_000)
    with pytest.raises(LinkviewError, match="not a mesh that can be read"):
        mesh_coming("a.exe", 5)
    liar = mesh_coming("../../a b.stl", 5)
    with pytest.raises(LinkviewError, match="more came than was announced"):
        liar.take(b"123456")
    mesh_coming("left.stl", 5).drop()
    assert list((home / "home" / "meshes").iterdir()) == []
    kept = _took("../../a b.stl", b"x" * 1000)
    assert re.fullmatch(r"[0-9a-f]{16}-a_b\.stl", kept.name)
    assert kept.parent == home / "home" / "meshes"


def test_a_mesh_is_kept_with_the_history_and_saved_with_the_variant(home: Path) -> None:
    content = trimesh.creation.box(extents=(300, 200, 250)).export(file_type="stl")
    path = _took("block.stl", content)
    document = _with_mesh(home, path)
    document.change(lambda e: e.with_wheel("front", "spacer", 5.0), "")
    assert [c.count for c in document.edits.changes] == [1, 1]  # a mesh stays a change of its own
    again = Document.opened(document.file.path, "as_found")  # as after a crash
    assert again.edits == document.edits
    for wrong in ("no name", "as_found"):
        with pytest.raises(CannotWrite):
            again.save_as_file("new.toml", wrong, "")
    assert sorted(p.name for p in home.iterdir() if p.is_file()) == ["small.toml"]
    again.save_into_file("mine", "")
    assert (home / "block.stl").read_bytes() == content
    (body,) = [b for b in again.car.axles["front"].left.bodies if b.name == "block"]
    table = read_file(home / "small.toml").variant("mine").change[0].bodies["block"]
    assert table["file"] == "block.stl"
    assert isinstance(body, MeshFile)
    assert body.placement[2, 3] == 1.5
    out = document.edits.without_meshes([("front", "block")])
    assert [dict(c.wheel) for c in out.changes] == [{"spacer": 5.0}]


def test_pieces_nobody_asked_for_are_refused(server: Running) -> None:
    async def say() -> list[str]:
        out: list[str] = []
        url = f"{server.url.replace('http', 'ws')}socket"
        async with connect(url, origin=server.url.rstrip("/")) as line:
            await line.send(b"bytes out of the blue")
            await line.send(json.dumps({"do": "mesh part", "bytes": "words"}))
            await line.send(json.dumps({"do": "mesh begin", "name": "a.stl", "size": "big"}))
            put = {"do": "mesh put", "axle": "front", "token": "guessed", "name": "a"}
            await line.send(json.dumps(put))
            while len(set(out)) < 3:
                words = await asyncio.wait_for(line.recv(), 20)
                if isinstance(words, str) and json.loads(words)["kind"] == "refused":
                    out.append(json.loads(words)["words"])
        return out

    said = "\n".join(asyncio.run(say()))
    for why in ("was not asked for", "whole number of bytes", "not here any more"):
        assert why in said

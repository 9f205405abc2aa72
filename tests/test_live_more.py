"""More of the live page in a real browser: both axles, joint axes, links, slots, what matters."""

from __future__ import annotations

import csv
import shutil
import zipfile
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from linkview import cli
from linkview.alignment.axle import align
from linkview.export.actor_shapes import actors_of
from linkview.kinematics.assemble import build_car
from linkview.kinematics.sweep import sweep_axle
from linkview.live.as_variant import built
from linkview.live.edits import Edits, How
from linkview.live.helper import Superseded
from linkview.live.jobs import MakeJob, OutlineJob
from linkview.live.making import making_works
from linkview.live.moving import Inputs
from linkview.model.bodies import MeshFile
from linkview.model.read import read_file
from linkview.model.reference import wheel_angles_deg
from linkview.plates.profiles import named_profile
from tests.live_cases import Running, Tab, running
from tests.published_checkers import WEB, node_missing
from tests.scene_cases import DEMO

PLANNED = "planned"


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("car") / "demo"
    shutil.copytree(DEMO.parent, place)
    return place / DEMO.name


@pytest.fixture(scope="module")
def server(browser: Any, model: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    home = tmp_path_factory.mktemp("home")
    with running(home, "view", str(model), "--variant", PLANNED) as one:
        yield one


@pytest.fixture(scope="module")
def shared(browser: Any, server: Running) -> Iterator[Tab]:
    one = Tab(browser, server.url, 1000, 620)
    yield one
    assert one.said == []
    one.close()


@pytest.fixture
def tab(shared: Tab) -> Tab:
    """The one tab, at ride height, with whatever an earlier test changed put away."""
    shared.wait("() => live.settled()")
    shared.run(
        """() => {
        if (live.state.inch) document.getElementById('units').click();
        document.getElementById('refused').hidden = true;
        live.setHow('made_to_fit'); live.view.select(null); live.sheets.show('now');
        document.getElementById('home').click();
        if (live.state.car.state.unsaved) live.wire.ask({ do: 'variant', name: 'planned' }); }"""
    )
    shared.wait(
        """() => { const p = live.state.pose, s = live.state.car.state;
        return p && p.rack === 0 && p.travel === 0 && p.roll === 0 && !s.unsaved
          && live.settled(); }"""
    )
    return shared


def _fill(tab: Tab, row: str, text: str) -> None:
    _type(tab, f"{row} input", text)


def _type(tab: Tab, which: str, text: str) -> None:
    field = tab.tab.locator(which)
    field.fill(text)
    field.press("Tab")


# --- the stage ----------------------------------------------------------------------------------


def test_both_axles_stand_where_the_solver_has_them(tab: Tab, model: Path) -> None:
    tab.wait("() => live.view.slots.rear")
    assert not tab.run("() => live.view.slots.rear.group.visible")
    tab.tab.click("[data-key=whole]")
    tab.pose(12.0, 17.0)
    tab.wait("() => live.view.slots.rear.group.visible && live.view.slots.front.group.visible")
    rear = build_car(read_file(model), PLANNED).axles["rear"]
    sweep = sweep_axle(rear, np.zeros(1), np.array([17.0]))
    poses = {c.corner.side: c.poses for c in sweep.corners}
    local = [30.0, -20.0, 10.0]
    shown = tab.run(
        """p => Object.fromEntries([...live.view.slots.rear.actors].map(([n, a]) =>
        [n, new THREE.Vector3(...p).applyMatrix4(a.node.matrix).toArray()]))""",
        local,
    )
    moving = [a for a in actors_of(rear) if not a.still]
    assert len(moving) > 8
    for actor in moving:
        want = actor.places(poses[actor.side]).apply(np.array([local]))[0, 0, 0]
        assert np.abs(np.array(shown[actor.name]) - want).max() < 2e-3, actor.name  # mm
    tab.tab.click("[data-key=whole]")
    tab.wait("() => !live.view.slots.rear.group.visible")


def test_joint_axes_and_what_they_allow(tab: Tab, model: Path) -> None:
    tab.tab.click("#more summary")
    tab.tab.click("text=Joint axes, what they allow")
    tab.tab.click("#more summary")
    tab.wait("() => live.joints.held().length > 6")
    table = read_file(model).axles["front"].joints["tie_rod_outer"]
    find = """() => live.joints.held().find(j => j.point === 'tie_rod_outer'
      && j.kind === 'rod_end')"""
    assert table.bolt_axis is not None
    bolt = np.array(table.bolt_axis) / np.linalg.norm(table.bolt_axis)
    tab.pose(41.0, 9.0)
    tab.wait("() => live.joints.held().length && live.state.pose.rack === 41")
    joint = tab.run(find)
    points = tab.run("() => live.state.pose.points.left")
    # Truth: the angle by hand, from the rod's two ends as the page has them and the bolt drawn.
    rod = np.subtract(points["tie_rod_inner"], points["tie_rod_outer"])
    by_hand = np.degrees(np.arcsin(abs(rod @ joint["axis"]) / np.linalg.norm(rod)))
    assert joint["used"] == pytest.approx(by_hand, abs=2e-3)  # deg, mm on the wire to 1e-4
    assert joint["allowed"] == 24.0  # as the planned change writes it: tapered spacers
    assert joint["at"] == pytest.approx(points["tie_rod_outer"], abs=1e-3)
    assert abs(bolt @ joint["axis"]) < 0.9999  # the bolt has turned with the knuckle
    assert "tie rod outer rod end misalignment" in tab.tab.inner_text("#jointwords")
    tab.tab.click("#more summary")
    tab.tab.click("text=Joint axes, what they allow")
    tab.tab.click("#more summary")
    tab.wait("() => live.joints.held().length === 0")


# --- which millimetre matters -------------------------------------------------------------------


def test_one_millimetre_does_what_the_table_says(tab: Tab, model: Path) -> None:
    # Truth: the point really moved, half a millimetre either way, and the car built anew each time.
    tab.tab.click("#tab-matters")
    tab.tab.wait_for_selector(".matter")
    row = ".matter:has-text('Toe-in, left')"
    tab.tab.click(row)
    told = tab.tab.inner_text(".ranked tr >> nth=0")
    assert told.startswith("tie rod inner y")
    x, y, z = build_car(read_file(model), PLANNED).axles["front"].left.points["tie_rod_inner"]
    toe = []
    for by in (-0.5, 0.5):
        edits = Edits(PLANNED).with_point("front", How.PARTS_KEPT, "tie_rod_inner", (x, y + by, z))
        corner = built(read_file(model), edits).axles["front"].left
        toe.append(wheel_angles_deg(corner.side, corner.wheel.spin_axis)[1])
    shown = float(told.split()[-1].replace("−", "-"))
    assert shown == pytest.approx(toe[1] - toe[0], abs=2e-3)  # deg per mm
    # a pose out of it: the table follows, and the row stays open
    tab.pose(30.0, 0.0)
    tab.tab.wait_for_selector("#page-matters:has-text('at rack 30.0, travel 0.0')")
    assert tab.tab.get_attribute(row, "aria-expanded") == "true"
    tab.tab.click("text=A point measured elsewhere")
    tab.tab.wait_for_selector(".ranked th:has-text('tie rod outer')")  # it may move too, now
    tab.tab.click(row)


# --- gaps as they come ---------------------------------------------------------------------------


def test_gaps_become_certain_pair_by_pair_and_can_be_cancelled(tab: Tab) -> None:
    tab.tab.click("#tab-gaps")
    tab.run(
        """() => { window.came = [];
        live.wire.on('certified', (m) => { if (m.sure || m.pairs) window.came.push(m); });
        live.wire.ask({ do: 'measure', axle: 'front' }); }"""
    )
    tab.wait("() => window.came.length && window.came.at(-1).pairs")
    *parts, last = tab.run("() => window.came")
    counts = [len(m["sure"]) for m in parts]
    assert counts == sorted(counts)
    assert counts
    assert 0 < counts[0] < len(last["pairs"])

    def by_name(pairs: list[Any]) -> dict[Any, Any]:
        return {(p["side"], p["a"], p["b"]): p for p in pairs}

    final = by_name(last["pairs"])
    for name, pair in by_name(parts[-1]["sure"]).items():
        assert pair == final[name]  # what was told early is what holds
    # cancelled: those that are certain stay so, the rest is said to be sampled
    tab.run(
        """() => { window.came.length = 0;
        live.wire.ask({ do: 'measure', axle: 'front' });
        live.wire.on('certified', (m) => { if (m.sure && !window.pressed) { window.pressed = true;
          document.querySelector('#progress button').click(); } }); }"""
    )
    tab.tab.wait_for_selector("#page-gaps:has-text('of them certain so far')")
    tab.tab.wait_for_selector("#page-gaps button:has-text('Make certain')")
    kept = tab.run("() => live.state.gaps.pairs.map(p => Boolean(p.certain))")
    assert 0 < sum(kept) < len(kept)
    assert tab.run("() => live.state.gaps.kind") == "sampled"


# --- what is typed ------------------------------------------------------------------------------


def test_links_toe_and_slots_are_typed_in_the_table(tab: Tab) -> None:
    tab.tab.click("#tab-points")
    tie_rod = "tr[data-set='length tie_rod']"
    start = tab.run("() => live.state.axle.links.find(l => l[0] === 'tie_rod')[3]")
    _fill(tab, tie_rod, f"{start + 1.5:.3f}".replace(".", ","))
    tab.wait("() => live.state.car.state.changes === 1 && live.settled()")
    now = tab.run("() => live.state.axle.links.find(l => l[0] === 'tie_rod')[3]")
    assert now == pytest.approx(start + 1.5, abs=6e-4)  # typed to 0.001
    toe = tab.run("() => live.state.axle.wheel.toe_in")
    assert abs(toe) > 0.1
    assert float(tab.tab.input_value("tr[data-wheel=toe_in] input")) == pytest.approx(toe, abs=1e-3)
    # the same toe back by the tie rod: the length comes back too
    tab.tab.click("text=Parts kept")
    _fill(tab, "tr[data-wheel=toe_in]", "0")
    tab.wait("() => Math.abs(live.state.axle.wheel.toe_in) < 1e-4 && live.settled()")
    back = tab.run("() => live.state.axle.links.find(l => l[0] === 'tie_rod')[3]")
    assert back == pytest.approx(start, abs=1e-3)
    # nonsense keeps the last good state and says why
    _fill(tab, tie_rod, "2000")
    tab.tab.wait_for_selector("#refused:has-text('does not go together')")
    tab.tab.click("#refused button")


def test_a_slot_goes_as_far_as_it_is_long(tab: Tab) -> None:
    tab.tab.click("#tab-points")
    row = "tr[data-set^='slot top mount']"
    tab.tab.wait_for_selector(row, timeout=60_000)
    _fill(tab, row, "-10")
    tab.wait("() => live.state.car.state.unsaved && live.settled()")
    moved = tab.run(
        """() => { const a = live.state.axle, z = a.zero.strut_top;
        return a.points.strut_top.at.map((v, k) => v - z[k]); }"""
    )
    assert np.linalg.norm(moved) == pytest.approx(10.0, abs=2e-3)
    _fill(tab, row, "99")
    assert "its slot goes from" in tab.tab.inner_text("#toast")


# --- files and links ----------------------------------------------------------------------------


# --- a mesh dropped ------------------------------------------------------------------------------

BLOCK = (300.0, 200.0, 250.0)  # mm; drawn in metres


def _chosen(tab: Tab, path: Path) -> None:
    tab.tab.click("#tab-about")
    with tab.tab.expect_file_chooser() as chooser:
        tab.tab.click("#addmesh")
    chooser.value.set_files(str(path))


def test_a_mesh_is_asked_for_its_unit_put_in_and_saved_beside(
    tab: Tab, model: Path, tmp_path: Path
) -> None:
    path = tmp_path / "Engine & block.stl"
    trimesh.creation.box(extents=np.array(BLOCK) / 1000.0).export(path)
    before = {p.name: p.read_bytes() for p in model.parent.iterdir()}
    (model.parent / "Engine_block.stl").write_bytes(b"another's own file")
    _chosen(tab, path)
    tab.tab.wait_for_selector("#meshing form")
    assert tab.tab.locator("[name=meshunit]:checked").count() == 0  # asked, never guessed
    assert "metres: it is 300 × 200 × 250 mm" in tab.tab.inner_text("#meshing")
    tab.tab.check("[value=in]")
    assert 'Drawn in "m" it is 439 mm' in tab.tab.inner_text("#meshodd")
    tab.tab.click("#meshing button[type=submit]")
    tab.tab.wait_for_selector("#meshfault:has-text('say that it is that size')")
    tab.tab.check("[value=m]")
    for way, text in (("x", "600"), ("z", "500,5")):
        field = tab.tab.locator(f"#meshing [aria-label^='Its origin, {way}']")
        field.fill(text)
        field.press("Tab")
    tab.tab.select_option("#meshx", "left")
    tab.tab.select_option("#meshy", "back")
    assert "x 500 mm to 700 mm, y −150 mm to 150 mm" in tab.tab.inner_text("#meshreach")
    tab.tab.focus("#meshing button[type=submit]")
    tab.tab.keyboard.press("Enter")  # the keyboard will do
    tab.wait("() => live.view.names().includes('Engine block') && live.settled()")
    # Truth: where its corners stand, by hand from the places typed.
    corners = tab.run(
        """() => { let box; live.view.slots.front.group.traverse((i) => {
        if (i.isMesh && i.name === 'Engine block') { i.geometry.computeBoundingBox();
          box = [i.geometry.boundingBox.min, i.geometry.boundingBox.max].map(v => v.toArray()); }
        }); return box; }"""
    )
    assert np.allclose(corners, [[500, -150, 375.5], [700, 150, 625.5]], atol=0.05)
    # a body like any other: its gaps are measured at the pose shown
    tab.wait("() => live.state.posed && live.state.posed.pairs.some(p => p.b === 'Engine block')")
    assert {p.name: p.read_bytes() for p in model.parent.iterdir() if p.name in before} == before
    tab.tab.click("#save")
    tab.tab.fill("#savename", "with_engine")
    tab.tab.fill("#savefile", "with_engine.toml")
    tab.tab.click("#saving button[type=submit]")
    tab.wait("() => document.getElementById('toast').textContent.startsWith('Saved as')")
    saved = build_car(read_file(model.with_name("with_engine.toml")), "with_engine")
    (body,) = [b for b in saved.axles["front"].left.bodies if b.name == "Engine_block"]
    assert isinstance(body, MeshFile)
    assert body.path == model.with_name("Engine_block-2.stl")  # never over a file that is there
    assert body.path.read_bytes() == path.read_bytes()
    assert body.mm_per_unit == 1000.0
    assert model.with_name("Engine_block.stl").read_bytes() == b"another's own file"


CORNERS = """name => { let out; live.view.slots.front.group.traverse((i) => {
  if (i.isMesh && i.name === name) { i.geometry.computeBoundingBox();
    out = [i.geometry.boundingBox.min, i.geometry.boundingBox.max].map((v) => v.toArray()); } });
  return out; }"""


def _wait_for(tab: Tab, low: list[float], high: list[float]) -> None:
    tab.wait(
        f"([low, high]) => {{ const b = ({CORNERS})('block'); return b && live.settled()"
        " && [...low, ...high].every((v, k) => Math.abs(v - b[k < 3 ? 0 : 1][k % 3]) < 0.05); }",
        [low, high],
    )


def test_a_mesh_is_moved_turned_and_fitted_afterwards(tab: Tab, tmp_path: Path) -> None:
    trimesh.creation.box(extents=BLOCK).export(tmp_path / "block.stl")
    _chosen(tab, tmp_path / "block.stl")
    tab.tab.check("[value=mm]")
    _type(tab, "[aria-label^='Its origin, x']", "600")
    tab.tab.click("#meshing button[type=submit]")
    _wait_for(tab, [450, -100, -125], [750, 100, 125])
    _type(tab, "#mesh-block-atz", "500,5")
    _wait_for(tab, [450, -100, 375.5], [750, 100, 625.5])
    _type(tab, "#mesh-block-turnz", "90")  # Truth: by hand, its length now lies across the car
    _wait_for(tab, [500, -150, 375.5], [700, 150, 625.5])
    tab.wait("() => live.state.posed && live.state.posed.pairs.some((p) => p.b === 'block')")
    # a corner taken in the picture is that corner in the file
    tab.quiet()
    tab.tab.click("[data-mesh=block] summary:has-text('Or place it')")
    tab.tab.click("[data-mesh=block] [data-match='0'] button")
    spot = tab.run(
        """() => { const box = document.getElementById('canvas').parentElement
          .getBoundingClientRect(), at = new THREE.Vector3(0.698, 0.147, 0.6255)
          .project(linkview.camera);
        return [box.left + (at.x + 1) / 2 * box.width, box.top + (1 - at.y) / 2 * box.height]; }"""
    )
    tab.tab.mouse.click(*spot)
    tab.wait("() => document.getElementById('toast').textContent.startsWith('Taken')")
    tab.wait("() => document.querySelector(\"[data-mesh=block] [data-match='0'] input\").value")
    taken = [
        float(tab.tab.input_value(f"[data-mesh=block] [data-match='0'] input >> nth={k}"))
        for k in range(3)
    ]
    assert taken == pytest.approx([150, -100, 125], abs=0.02)  # mm: as finely as it is drawn
    tab.tab.click("[data-mesh=block] button:has-text('Place it by')")
    tab.tab.wait_for_selector("[data-mesh=block] [role=alert]:has-text('three or more places')")
    places = {0: (400, 0, 656), 1: (400, 0, 400), 2: (400, 300, 400)}
    in_file = {0: (150, -100, 125), 1: (150, -100, -125), 2: (-150, -100, -125)}
    for k, at in places.items():
        tab.tab.select_option(f"[data-mesh=block] [data-match='{k}'] select", " ")
        for i, v in enumerate((*in_file[k], *at)):
            _type(tab, f"[data-mesh=block] [data-match='{k}'] input >> nth={i}", str(v))
    tab.tab.click("[data-mesh=block] button:has-text('Place it by')")
    told = "[data-mesh=block] summary:has-text('Placed by 3 matching places')"
    tab.tab.wait_for_selector(told)
    # Truth: scipy's best rotation; the places are 256 and 300 apart, in the file 250 and 300.
    legs, spots = (np.array(list(d.values()), dtype=float) for d in (in_file, places))
    legs, spots = legs - legs.mean(axis=0), spots - spots.mean(axis=0)
    best, _ = Rotation.align_vectors(spots, legs)
    worst = np.linalg.norm(best.apply(legs) - spots, axis=1).max()
    shown = tab.tab.inner_text(told).split("off by ")[1].split(" mm at the worst")[0]
    assert float(shown) == pytest.approx(worst, abs=0.006)
    tab.tab.click("#undo")
    _wait_for(tab, [500, -150, 375.5], [700, 150, 625.5])


@pytest.mark.parametrize(
    ("name", "content", "size", "told"),
    [
        ("scan.stl", b"solid", 500_000_000, "scan.stl is 500 MB; a mesh may be 400 MB"),
        ("scan.stl", b"solid", 9_000, "cannot be read any more"),
        ("<b>.txt", b"x", 0, "<b>.txt is neither a mesh that can be read here (.stl"),
        ("none.stl", b"", 0, "none.stl is empty"),
        ("no.stl", b"solid no\nendsolid no\n", 0, "no.stl: it has no triangles"),
        ("cut.glb", b"glTF123", 0, "cut.glb: cannot be read"),
        ("flat.obj", b"v 0 0 0\nv 1 0 0\nv 2 0 0\nf 1 2 3\n", 0, "every triangle has zero area"),
        ("nan.obj", b"v nan 0 0\nv 1 0 0\nv 0 2 0\nf 1 2 3\n", 0, "1 corners are not numbers"),
    ],
)
def test_a_mesh_that_will_not_do_is_told_in_a_line(
    tab: Tab, name: str, content: bytes, size: int, told: str
) -> None:
    left = tab.run(
        """([name, bytes, size]) => { const file = new File([new Uint8Array(bytes)], name);
        window.pieces = 0; live.toast('');
        const slice = file.slice.bind(file); file.slice = (...at) => { window.pieces++;
          return slice(...at); };
        if (size) Object.defineProperty(file, 'size', { value: size });
        const drop = new Event('drop', { cancelable: true });
        drop.dataTransfer = { files: [file], types: ['Files'] };
        window.dispatchEvent(drop); return !drop.defaultPrevented; }""",
        [name, list(content), size],
    )
    assert not left, "the browser would have left the page for the file"
    tab.wait("t => document.getElementById('toast').textContent.includes(t)", told)
    tab.wait("() => !document.getElementById('meshing').open")
    if size > 400_000_000:
        assert tab.run("() => window.pieces") == 0  # refused before anything of it is read
    assert not tab.run("() => live.state.car.state.unsaved")


@pytest.mark.gl
def test_a_film_is_begun_and_cancelled(tab: Tab) -> None:
    tab.tab.click("#tab-about")
    for what in ("pictures", "film", "pack"):
        assert tab.tab.is_enabled(f"[data-make={what}]")
    tab.tab.click("[data-offer=film] summary")
    tab.tab.click("[data-make=film]")
    tab.wait("() => live.state.making && /film|OpenGL/.test(live.state.making.what || '')")
    assert not tab.tab.is_enabled("[data-make=pack]")
    tab.tab.click("#page-about button:has-text('Cancel')")
    tab.wait("() => live.state.making.cancelled || live.state.making.fault")
    tab.tab.wait_for_selector("[data-make=pack]:enabled", state="attached")
    assert not tab.run("() => live.state.making.link")


def test_a_link_put_into_the_open_page_is_followed(tab: Tab) -> None:
    tab.run(
        "() => { location.hash = 'axle=rear&rack=0&travel=-21.5&roll=0&variant=planned&tab=map'; }"
    )
    tab.wait(
        "() => live.state.axle.name === 'rear' && live.state.pose"
        " && Math.abs(live.state.pose.travel + 21.5) < 1e-6 && live.sheets.openTab() === 'map'"
    )
    tab.run("() => { location.hash = 'axle=<b>&rack=x&travel=1e999&tab=__proto__'; }")
    tab.wait("() => live.state.pose && live.state.pose.travel === 0 && live.settled()")
    assert tab.run("() => live.state.axle.name") == "rear"
    tab.run("() => { location.hash = 'axle=front'; }")
    tab.wait("() => live.state.axle.name === 'front' && live.state.pose && live.settled()")


def test_the_new_sheets_are_accessible(browser: Any, server: Running, tmp_path: Path) -> None:
    # Truth: axe-core's rules tagged WCAG 2.1 A and AA; every tab of the page is in test_live_page.
    missing = node_missing("axe-core")
    if missing:
        pytest.skip(missing)
    axe = (WEB / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")
    path = tmp_path / "block.stl"
    trimesh.creation.box(extents=BLOCK).export(path)
    tab = Tab(browser, server.url, 1280, 844, color_scheme="dark", bypass_csp=True)

    def check(where: str) -> None:
        for wide in (1280, 390):
            tab.tab.set_viewport_size({"width": wide, "height": 844})
            found = tab.run(
                """() => axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa']})
                .then(r => r.violations.map(v => v.id + ': ' +
                  v.nodes.map(n => n.html).join(' | ')))"""
            )
            assert found == [], (where, wide)
            assert tab.run("() => document.documentElement.scrollWidth - window.innerWidth") <= 0

    try:
        tab.run(axe)
        tab.tab.click("#more summary")
        tab.tab.click("text=Joint axes, what they allow")
        tab.tab.click("#more summary")
        tab.tab.click("#tab-matters")
        tab.tab.click(".matter >> nth=0")
        tab.tab.wait_for_selector("#jointwords p")
        check("1 mm, joint axes")
        tab.tab.click("#tab-about")
        tab.tab.wait_for_selector("[data-offer]")
        tab.run(
            "() => { for (const d of document.querySelectorAll('#page-about details')) "
            "d.open = true; }"
        )
        check("files asked about, meshes placed")
        _chosen(tab, path)
        tab.tab.check("[name=meshunit][value=in]")
        check("a mesh asked about")
        tab.tab.keyboard.press("Escape")
        _bracket(tmp_path / "bracket.dxf")
        with tab.tab.expect_file_chooser() as chooser:
            tab.tab.click("#addoutline")
        chooser.value.set_files(str(tmp_path / "bracket.dxf"))
        _type(tab, "#make-outline-thickness", "6")
        tab.tab.click("#outlinecheck")
        tab.tab.wait_for_selector("#outlinetold")
        check("a drawing checked")
    finally:
        tab.close()


class _Impatient:
    """A helper's post whose job is no longer wanted after a few words of progress."""

    def __init__(self) -> None:
        self.asked = 0

    def heed(self) -> None:
        self.asked += 1
        if self.asked > 3:
            raise Superseded

    def answer(self, words: dict[str, Any]) -> None:
        assert "made" not in words


def test_what_is_cancelled_leaves_nothing_half_made(
    model: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    file = read_file(model)
    car = build_car(file, PLANNED)
    job = MakeJob("plates", file, PLANNED, car, car, named_profile("water_jet"), "front")
    post = _Impatient()
    with pytest.raises(Superseded):
        making_works()["make"](post, job)  # type: ignore[arg-type]
    assert post.asked > 3
    assert list(tmp_path.glob("linkview-*")) == []


class _Patient:
    """A helper's post that keeps what was made."""

    def __init__(self) -> None:
        self.made: dict[str, Any] = {}

    def heed(self) -> None: ...

    def answer(self, words: dict[str, Any]) -> None:
        if "made" in words:
            self.made = words


SETTING_UP = DEMO.with_name("setting_up.toml")
TAPED = DEMO.parents[1] / "taped_front" / "taped_front.toml"


@pytest.mark.parametrize(
    ("what", "file", "given", "command"),
    [
        ("adjusters", SETTING_UP, {}, ["adjusters", SETTING_UP]),
        ("setup", SETTING_UP, {"camber": "-3.0", "caster": ""}, ["setup", SETTING_UP, "--axle",
         "front", "--want", "camber=-3.0"]),
        ("sensitivity", SETTING_UP, {"parts": "kept"}, ["sensitivity", SETTING_UP, "--parts",
         "kept", "--rack", "10"]),
        ("measure", DEMO, {"from": str(TAPED)}, ["measure", TAPED, "--date", "2026-01-01"]),
        ("trust", SETTING_UP, {"of": "readings", "cut": "0.5"}, ["trust", SETTING_UP, "--axle",
         "front", "--gap-cars", "0", "--cars", "200", "--cut", "0.5"]),
    ],
    ids=lambda v: v if isinstance(v, str) else "",
)  # fmt: skip
def test_what_the_page_makes_is_what_the_command_line_writes(
    what: str,
    file: Path,
    given: dict[str, str],
    command: list[Any],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Truth: the command line's own tables, byte for byte.
    monkeypatch.setattr("linkview.live.making_more.CARS", 200)
    assert cli.main([*map(str, command), "--out", str(tmp_path / "out")]) == 0
    hard_points = read_file(file)
    car = build_car(hard_points)
    job = MakeJob(
        what, hard_points, "as_found", car, car, named_profile("water_jet"), "front",
        Inputs(10.0, 0.0, 0.0), given,
    )  # fmt: skip
    post = _Patient()
    making_works()["make"](post, job)  # type: ignore[arg-type]
    made = Path(post.made["made"])
    with zipfile.ZipFile(made) as inside:
        files = {Path(n).name: inside.read(n) for n in inside.namelist()}
    shutil.rmtree(made.parent)
    written = {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir() if p.suffix == ".csv"}
    assert written
    for name, content in written.items():
        assert files[name] == content, name
    assert b"CAUTION: " in files[f"{what}.txt"]


SMALL = Path(__file__).with_name("small.toml")


@pytest.mark.parametrize(
    ("what", "given", "commands"),
    [
        ("tables", {}, [["gaps"]]),
        ("report", {"revision": "B"}, [["report", "--revision", "B"]]),
        ("model3d", {"revision": "B"}, [["model3d", "--revision", "B"]]),
        ("shop", {"name": "laser"}, []),
    ],
)
def test_whole_files_of_the_page_are_those_of_the_command_line(
    what: str,
    given: dict[str, str],
    commands: list[list[str]],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    # Truth: all that the command line writes for the same car, byte for byte.
    out = tmp_path / "out"
    for name, *more in commands:
        assert cli.main([name, str(SMALL), *more, "--out", str(out)]) == 0
    if what == "shop":
        capsys.readouterr()
        assert cli.main(["shop", given["name"]]) == 0
        out.mkdir()
        (out / "laser.toml").write_text(capsys.readouterr().out, encoding="utf-8", newline="")
    file = read_file(SMALL)
    car = build_car(file)
    job = MakeJob(what, file, "as_found", car, car, named_profile("water_jet"), "front",
                  Inputs(), given)  # fmt: skip
    made = _made_files(_done("make", job))
    written = {p.name: p.read_bytes() for p in out.iterdir()}
    assert written
    for name, content in written.items():
        if what != "tables" or name.endswith(".csv"):  # its charts are asked for
            assert made[name] == content, name


def _done(kind: str, job: Any) -> dict[str, Any]:
    post = _Patient()
    making_works()[kind](post, job)  # type: ignore[arg-type]
    return post.made


def _made_files(words: dict[str, Any]) -> dict[str, bytes]:
    path = Path(words["made"])
    if path.suffix != ".zip":
        return {path.name: path.read_bytes()}
    with zipfile.ZipFile(path) as inside:
        return {Path(n).name: inside.read(n) for n in inside.namelist()}


def _bracket(path: Path) -> None:
    """A plate with a hole too small for its sheet, a slot not quite closed, and words on it."""
    drawing = ezdxf.new("R2010")
    drawing.units = 4
    space = drawing.modelspace()
    space.add_lwpolyline([(0, 0), (120, 0), (120, 60), (0, 60)], close=True)
    space.add_circle((60, 30), 1.0)
    corners = [(20, 20), (40, 20), (40, 40), (20, 40), (20, 20.02)]
    for a, b in pairwise(corners):
        space.add_line(a, b)
    space.add_text("bracket").set_placement((80, 30))
    drawing.saveas(path)


OUTLINE = {"shop": "laser", "thickness": "6.0", "unit": "", "layer": "", "join": "0.05",
           "arcs": "0.05", "bolts": ""}  # fmt: skip


def test_a_drawing_is_judged_and_mended_as_the_command_line_does(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Truth: the command itself, byte for byte, and its words.
    path, mended, picture = (tmp_path / n for n in ("My bracket.dxf", "new.dxf", "faults.png"))
    _bracket(path)
    command = ["outline", str(path), "--shop", "laser", "--thickness", "6"]
    assert cli.main([*command, "--mend", str(mended), "--picture", str(picture)]) == 0
    said = capsys.readouterr().out.splitlines()
    kept = tmp_path / "0123456789abcdef-My_bracket.dxf"
    shutil.copyfile(path, kept)
    job = OutlineJob("t", kept, path.name, named_profile("laser"), OUTLINE)
    words = _done("outline", job)
    made = _made_files(words)
    assert made["My bracket-mended.dxf"] == mended.read_bytes()
    assert made["faults.png"] == picture.read_bytes()
    told = [
        line.replace(str(path), path.name) for line in said if line.startswith(("  ", str(path)))
    ]
    assert words["lines"][: len(told)] == told
    assert len(told) > 4
    assert not words["clean"]
    assert b"CAUTION: " in made["check.txt"]
    # what cannot be read is told by the drawing's own name
    path.write_bytes(b"no drawing")
    shutil.copyfile(path, kept)
    post = _Patient()
    answers: list[dict[str, Any]] = []
    post.answer = answers.append  # type: ignore[method-assign]
    making_works()["outline"](post, job)  # type: ignore[arg-type]
    assert answers[0]["fault"].startswith("My bracket.dxf: ")


def test_a_drawing_dropped_is_asked_about_checked_and_taken(tab: Tab, tmp_path: Path) -> None:
    _bracket(tmp_path / "<b>bracket.dxf")
    tab.tab.click("#tab-about")
    with tab.tab.expect_file_chooser() as chooser:
        tab.tab.click("#addoutline")
    chooser.value.set_files(str(tmp_path / "<b>bracket.dxf"))
    tab.tab.wait_for_selector("#outline form")
    tab.tab.click("#outlinecheck")
    tab.tab.wait_for_selector("#outlinefault:has-text('Give the thickness')")
    _type(tab, "#make-outline-thickness", "6")
    _type(tab, "#make-outline-bolts", "2 x")
    tab.tab.click("#outlinecheck")
    tab.tab.wait_for_selector("#outlinefault:has-text('is no diameter')")
    _type(tab, "#make-outline-bolts", "2,0")
    tab.tab.click("#outlinecheck")
    tab.tab.wait_for_selector("#outlinetold:has-text('A shop would send it back')")
    assert tab.tab.locator("#outline circle.red").count() >= 4
    with tab.tab.expect_download() as taken:
        tab.tab.click("#outlinemade")
    taken.value.save_as(tmp_path / "made.zip")
    assert "check.txt" in _made_files({"made": tmp_path / "made.zip"})
    tab.tab.keyboard.press("Escape")
    tab.wait("() => !document.getElementById('outline').open")


def test_files_that_need_something_ask_for_it_first(tab: Tab, model: Path, tmp_path: Path) -> None:
    tab.pose(12.0, 7.0)
    tab.tab.click("#tab-about")
    assert not tab.tab.is_enabled("[data-make=targets]")
    assert "Nothing to aim at: add [[axle.front.aims]]" in tab.tab.inner_text("#page-about")
    tab.tab.click("[data-offer=envelope] summary")
    assert tab.tab.locator("#make-envelope-body option").first.inner_text() == "tyre"
    # An answer that arrives meanwhile takes away neither what is chosen nor what is half typed.
    tab.quiet()
    tab.tab.focus("#make-envelope-grow")
    tab.run("() => { document.activeElement.select(); live.sheets.refresh(); }")
    tab.tab.keyboard.insert_text("-3")
    tab.run("() => live.sheets.refresh()")
    assert tab.tab.input_value("#make-envelope-grow") == "-3"
    tab.tab.click("[data-make=envelope]")
    tab.tab.wait_for_selector("#page-about .warn:has-text('-3 will not do; give 0 to 200 mm')")
    tab.tab.click("[data-offer=sensitivity] summary")
    tab.tab.select_option("#make-sensitivity-parts", "kept")
    with tab.tab.expect_download(timeout=180_000) as taken:
        tab.tab.click("[data-make=sensitivity]")
    taken.value.save_as(tmp_path / "made.zip")
    with zipfile.ZipFile(tmp_path / "made.zip") as inside:
        table = inside.read("demo_coupe-sensitivity/sensitivity.csv").decode("utf-8-sig")
    every = csv.DictReader(table.splitlines())
    rows = [r for r in every if (r["axle"], r["reading"]) == ("front", "camber")]
    assert {(float(r["rack (mm)"]), float(r["travel (mm)"])) for r in rows} == {(12.0, 7.0)}
    # Truth: the reading itself, from a sweep of its own.
    car = build_car(read_file(model), PLANNED)
    camber = align(sweep_axle(car.axles["front"], np.array([12.0]), np.array([7.0])), car)
    assert float(rows[0]["value"]) == pytest.approx(camber.left.camber_deg[0, 0], abs=1e-5)

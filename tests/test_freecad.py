"""Where FreeCAD is installed: it reads the same areas, lengths and hole counts from the DXF, and
its own solids of a bent plate weigh and stand the same."""

from __future__ import annotations

import json
import math
import shutil
import subprocess

import pytest
import trimesh
from plate_cases import bent, ear, front, rear, top_mount

from linkview.export.dxf import write_dxf
from linkview.plates.brackets import draw_plate
from linkview.plates.profiles import DxfStyle, DxfVersion
from linkview.plates.solid import plate_mesh

FREECAD = next((p for n in ("freecadcmd", "FreeCADCmd") if (p := shutil.which(n))), None)
pytestmark = pytest.mark.skipif(FREECAD is None, reason="FreeCAD is not installed")

MACRO = """
import json
import FreeCAD
import Import
import Part

doc = FreeCAD.newDocument("plate")
Import.readDXF({path!r}, doc.Name)
doc.recompute()
edges = [e for o in doc.Objects if hasattr(o, "Shape") for e in o.Shape.Edges]
wires = [Part.Wire(group) for group in Part.sortEdges(edges)]
rings = [w for w in wires if w.isClosed()]
areas = sorted((Part.Face(w).Area for w in rings), reverse=True)
lengths = sorted((w.Length for w in rings), reverse=True)
print("FOUND " + json.dumps([areas, lengths]))
"""


def said(tmp_path, words):
    """What a macro prints after FOUND."""
    macro = tmp_path / "read.py"
    macro.write_text(words, encoding="utf-8")
    ran = subprocess.run(
        [FREECAD, str(macro)], capture_output=True, text=True, timeout=120, check=False,
        stdin=subprocess.DEVNULL,
    )  # fmt: skip
    line = next(li for li in ran.stdout.splitlines() if "FOUND " in li)
    return json.loads(line.split("FOUND ")[1])


@pytest.mark.parametrize("version", list(DxfVersion))
@pytest.mark.parametrize("which", ["ear", "top"])
def test_freecad_reads_the_same_plate(tmp_path, version, which):
    plate = (
        draw_plate(which, ear(), rear())
        if which == "ear"
        else draw_plate(which, top_mount(), front())
    )
    style = DxfStyle(version=version, marking=False)
    receipt = write_dxf(plate, tmp_path / "plate.dxf", style=style)
    areas, lengths = said(tmp_path, MACRO.format(path=str(receipt.path)))
    assert len(areas) == len(receipt.loops)
    # FreeCAD holds true arcs: single precision at worst.
    assert areas == pytest.approx(
        sorted((r.area_mm2 for r in receipt.loops), reverse=True), rel=1e-6
    )
    assert lengths == pytest.approx(
        sorted((r.length_mm for r in receipt.loops), reverse=True), rel=1e-6
    )


# An angle bracket from whole solids: a leg, a quarter ring turned about the bend's axis, a leg with
# a hole. Flat pattern and k are ours to check: FreeCAD is told only where the tangent lines come.
BENT = """
import json
import Part
from FreeCAD import Vector, Matrix, Rotation, Placement

flat_a, flat_b, wide, t, r, angle, from_edge, hole = {told!r}
low = Vector(-flat_a, 0, -t / 2)
leg = Part.makeBox(flat_a, wide, t, low)
face = Part.Face(Part.makePolygon([Vector(0, 0, -t / 2), Vector(0, wide, -t / 2),
                                   Vector(0, wide, t / 2), Vector(0, 0, t / 2),
                                   Vector(0, 0, -t / 2)]))
axis = Vector(0, 0, t / 2 + r)
ring = face.revolve(axis, Vector(0, -1, 0), angle)
other = Part.makeBox(flat_b, wide, t, Vector(0, 0, -t / 2))
at = Vector(flat_b - from_edge, wide / 2, -1.5 * t)
other = other.cut(Part.makeCylinder(hole / 2, 3 * t, at))
other.rotate(axis, Vector(0, -1, 0), angle)
solid = leg.fuse(ring).fuse(other).removeSplitter()
(whole,) = solid.Solids
box, middle = whole.BoundBox, whole.CenterOfMass
print("FOUND " + json.dumps([whole.Volume, whole.Area, list(middle),
      [box.XMin, box.YMin, box.ZMin], [box.XMax, box.YMax, box.ZMax]]))
"""


@pytest.mark.parametrize("angle", [90.0, 60.0, 135.0])
def test_freecads_own_solid_is_the_bent_plates(tmp_path, angle):
    from_edge, hole, wide, t, r, k = 15.0, 8.0, 30.0, 3.0, 4.0, 0.42
    taken = math.radians(angle) * (r + k * t)
    flat_a, flat_b = 30.0 - taken / 2.0, 50.0 - taken / 2.0
    plate = bent(
        (10.0, angle, r, k), holes=[{"at": [60.0 - from_edge, wide / 2], "diameter": hole}]
    )
    vertices, triangles = plate_mesh(plate, chord_mm=1e-3)
    mesh = trimesh.Trimesh(vertices - [10.0 - taken / 2.0, 0.0, 0.0], triangles, process=False)
    told = (flat_a, flat_b, wide, t, r, angle, from_edge, hole)
    volume, area, middle, low, high = said(tmp_path, BENT.format(told=told))
    assert mesh.volume == pytest.approx(volume, rel=1e-4)  # chords of 1e-3 mm
    assert mesh.area == pytest.approx(area, rel=1e-4)
    assert mesh.center_mass == pytest.approx(middle, abs=5e-3)
    assert mesh.bounds.ravel() == pytest.approx([*low, *high], abs=2e-3)

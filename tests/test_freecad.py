"""Where FreeCAD is installed: it reads the same areas, lengths and hole counts from the DXF."""

from __future__ import annotations

import json
import shutil
import subprocess

import pytest
from plate_cases import ear, front, rear, top_mount

from linkview.export.dxf import write_dxf
from linkview.plates.brackets import draw_plate
from linkview.plates.profiles import DxfStyle, DxfVersion

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
    macro = tmp_path / "read.py"
    macro.write_text(MACRO.format(path=str(receipt.path)), encoding="utf-8")
    ran = subprocess.run(
        [FREECAD, str(macro)], capture_output=True, text=True, timeout=120, check=False,
        stdin=subprocess.DEVNULL,
    )  # fmt: skip
    line = next(li for li in ran.stdout.splitlines() if "FOUND " in li)
    areas, lengths = json.loads(line.split("FOUND ")[1])
    assert len(areas) == len(receipt.loops)
    # FreeCAD holds true arcs: single precision at worst.
    assert areas == pytest.approx(
        sorted((r.area_mm2 for r in receipt.loops), reverse=True), rel=1e-6
    )
    assert lengths == pytest.approx(
        sorted((r.length_mm for r in receipt.loops), reverse=True), rel=1e-6
    )

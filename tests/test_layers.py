"""The architecture as a test: every import in linkview, late ones too, points down the list."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "linkview"
# Ground floor first; a module may import what stands before it, and its own layer's other files
# as long as they form no ring.
LAYERS = (
    ("errors", "units", "geometry"),
    ("model",),
    ("survey",),
    ("kinematics",),
    ("alignment",),
    ("limits",),
    ("clearance",),
    ("plates",),
    ("study",),
    ("tuning",),
    ("scene",),
    ("export",),
    ("app",),
    ("live",),
    ("commands",),
    ("cli", "__main__"),
)
LEVEL = {name: level for level, names in enumerate(LAYERS) for name in names}
# Where a library may be imported: file or folder under linkview/.
ONLY_IN = {
    "trimesh": ("clearance", "scene"),
    "fcl": ("clearance",),
    "pyvista": ("scene", "export"),
    "vtk": ("scene", "export"),
    "vtkmodules": ("scene", "export"),
    "imageio": ("export",),
    "imageio_ffmpeg": ("export",),
    "ezdxf": (
        "export/dxf.py",
        "export/dxf_back.py",
        "export/dxf_edges.py",
        "export/dxf_foreign.py",
    ),
    "spyrrow": ("plates",),
    "manifold3d": ("plates",),
    "matplotlib": ("export",),
    "build123d": ("export/step.py",),
    "pandas": ("export/frames.py",),
    "xarray": ("export/frames.py",),
    "pydantic": ("model",),
    "rich": ("commands/progress.py",),
    "websockets": ("live/server.py",),
    "numba": ("clearance/kernels/jit.py",),
    "mujoco": (),
    "coal": (),
    "hypothesis": (),
    "pytest": (),
}
# The program's start, the package's own public names, the compiled kernels and what the second
# process alone needs load when first used; so does what a command works with.
MAY_IMPORT_LATE = ("linkview.__main__", "linkview", "linkview.clearance.compiled")
MAY_IMPORT_LATE = (*MAY_IMPORT_LATE, "linkview.app.aside", "linkview.live.works")
# Libraries that only a car with meshes, one that does not assemble, or one with joints of its own
# or too many has a use for.
MAY_IMPORT_LATE = (
    *MAY_IMPORT_LATE,
    "linkview.clearance.meshes",
    "linkview.clearance.mesh_files",
    "linkview.kinematics.reassemble",
)
MAY_IMPORT_LATE = (*MAY_IMPORT_LATE, "linkview.kinematics.mobility")
COMMANDS = "linkview.commands."
# All that the command line may load before it knows the command; the rest stays inside functions.
BEFORE_A_COMMAND = ("errors", "commands")
HEAVY = ("numpy", "scipy", "vtk", "vtkmodules", "pyvista", "trimesh", "ezdxf", "pydantic", "rich")
HEAVY = (*HEAVY, "matplotlib", "pandas", "xarray", "websockets")


def modules() -> dict[str, Path]:
    """Dotted name -> file, for every file of the package."""
    out = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
        out[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return out


def imports_in(text: str) -> list[tuple[str, bool, int]]:
    """Every import: dotted name, whether late (not at module level), line.

    `from a import b` counts as a and as a.b; a guarded TYPE_CHECKING import is an import.
    """
    tree = ast.parse(text)
    late = {
        id(node)
        for outer in ast.walk(tree)
        if isinstance(outer, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef | ast.Lambda)
        for node in ast.walk(outer)
    }
    out = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            out += [(a.name, id(node) in late, node.lineno) for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = "." * node.level + (node.module or "")
            out.append((base, id(node) in late, node.lineno))
            out += [(f"{base}.{a.name}", id(node) in late, node.lineno) for a in node.names]
        elif isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            if called in ("__import__", "importlib.import_module", "import_module"):
                given = node.args[0] if node.args else None
                name = given.value if isinstance(given, ast.Constant) else "<computed>"
                out.append((str(name), True, node.lineno))
    return out


def loaded_at_once(text: str) -> list[str]:
    """Modules imported as soon as the file is: not inside a function, not for types alone."""
    tree = ast.parse(text)
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
            node.body = [ast.Pass()]
    return [name for name, late, _ in imports_in(ast.unparse(tree)) if not late]


def too_early(text: str) -> list[str]:
    """What a file of the command line loads at once and should not."""
    faults = []
    for name in loaded_at_once(text):
        root, layer = name.split(".")[0], layer_of(name)
        ours = root == "linkview" and (layer not in LEVEL or layer in BEFORE_A_COMMAND)
        if not ours and root not in sys.stdlib_module_names:
            faults.append(f"{name}: import it inside the function that works with it")
    return faults


def layer_of(module: str) -> str | None:
    parts = module.split(".")
    return parts[1] if parts[0] == "linkview" and len(parts) > 1 else None


def upward(module: str, text: str) -> list[str]:
    """Imports of `module` that break the layer rule, in words."""
    faults, mine = [], layer_of(module)
    for name, _, line in imports_in(text):
        if name.startswith("."):
            faults.append(f"{module}:{line}: relative import {name}; use the full name")
        theirs = layer_of(name)
        if mine is None or theirs is None or theirs not in LEVEL:
            continue
        if theirs != mine and LEVEL[theirs] > LEVEL[mine]:
            faults.append(f"{module}:{line}: {name} stands above {mine}")
    return faults


def graph(sources: dict[str, str]) -> dict[str, set[str]]:
    return {
        module: {n for n, _, _ in imports_in(text) if n in sources and n != module}
        for module, text in sources.items()
    }


def ring_in(edges: dict[str, set[str]]) -> list[str]:
    """Some ring of imports, or []."""
    done: set[str] = set()

    def walk(node: str, path: list[str]) -> list[str]:
        if node in path:
            return [*path[path.index(node) :], node]
        if node in done:
            return []
        for other in sorted(edges[node]):
            if found := walk(other, [*path, node]):
                return found
        done.add(node)
        return []

    for node in sorted(edges):
        if found := walk(node, []):
            return found
    return []


SOURCES = {name: path.read_text(encoding="utf-8") for name, path in modules().items()}


@pytest.mark.parametrize("module", sorted(SOURCES))
def test_imports_point_down(module):
    assert upward(module, SOURCES[module]) == []


def test_every_file_belongs_to_a_layer():
    unknown = [m for m in SOURCES if m != "linkview" and layer_of(m) not in LEVEL]
    assert unknown == []


def test_there_is_no_ring():
    assert ring_in(graph(SOURCES)) == []


@pytest.mark.parametrize("module", sorted(SOURCES))
def test_only_commands_import_late(module):
    late = [f"{n}:{line}" for n, is_late, line in imports_in(SOURCES[module]) if is_late]
    assert module in MAY_IMPORT_LATE or module.startswith(COMMANDS) or late == []


@pytest.mark.parametrize("module", [m for m in SOURCES if m.startswith((COMMANDS, "linkview.cli"))])
def test_the_command_line_loads_only_itself_before_it_knows_the_command(module):
    assert too_early(SOURCES[module]) == []


@pytest.mark.parametrize("module", sorted(SOURCES))
def test_libraries_stay_where_they_belong(module):
    path = modules()[module].relative_to(PACKAGE).as_posix()
    for name, _, line in imports_in(SOURCES[module]):
        allowed = ONLY_IN.get(name.split(".")[0])
        if allowed is None:
            continue
        inside = any(
            path == a or path.startswith(f"{a}/") or path.endswith(f"/{a}") for a in allowed
        )
        assert inside, f"{path}:{line} imports {name}, which belongs in {allowed}"


def test_inner_init_files_are_empty():
    full = [p for p in PACKAGE.rglob("*/__init__.py") if p.read_text(encoding="utf-8").strip()]
    assert full == []


def test_the_command_line_starts_without_the_heavy_libraries():
    if importlib.util.find_spec("linkview.cli") is None:
        pytest.fail("linkview/cli.py is missing")
    code = f"import sys, linkview.cli\nprint(' '.join(m for m in {HEAVY!r} if m in sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PACKAGE.parent
    )
    assert done.stdout.split() == []


# --- the test itself can fail --------------------------------------------------------------------


def test_an_upward_import_is_seen_wherever_it_hides():
    for text in (
        "import linkview.scene.stage\n",
        "from linkview.scene import stage\n",
        "def f():\n    from linkview.export.dxf import write\n",
        "class A:\n    import linkview.cli\n",
        "import importlib\nimportlib.import_module('linkview.app.server')\n",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import linkview.clearance.gaps\n",
    ):
        assert upward("linkview.kinematics.sweep", text), text
    assert upward("linkview.geometry", "import linkview.model.parts\n")
    assert upward("linkview.scene.stage", "from ..export import dxf\n")
    assert not upward("linkview.scene.stage", "from linkview.kinematics.sweep import AxleSweep\n")


def test_an_import_too_early_for_a_command_is_seen():
    for text in (
        "from linkview.study import spoken\n",
        "from linkview import study\n",
        "import linkview.model.read\n",
        "import numpy as np\n",
        "if True:\n    from rich.console import Console\n",
    ):
        assert too_early(text), text
    for text in (
        "from linkview.errors import LinkviewError\n",
        "from linkview import __version__\n",
        "from linkview.commands import job\nfrom linkview.commands.common import DONE\n",
        "def run():\n    import linkview.study\n",
        "import argparse\nif TYPE_CHECKING:\n    from linkview.study import Tell\n",
    ):
        assert not too_early(text), text


def test_a_late_import_is_seen():
    assert imports_in("def f():\n    import numpy\n") == [("numpy", True, 2)]


def test_a_ring_is_seen():
    assert ring_in({"a": {"b"}, "b": {"c"}, "c": {"a"}}) == ["a", "b", "c", "a"]
    assert ring_in({"a": {"b", "c"}, "b": {"c"}, "c": set()}) == []

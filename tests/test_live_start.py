"""Opening: the start screen in a real browser, new files, a window of its own."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from linkview import cli
from linkview.errors import CannotWrite, LinkviewError
from linkview.live import opening
from linkview.live.shelf import copied_file, folder_json, lies_at, new_file, starts
from linkview.live.window import Fate, Window
from linkview.model.layouts import LAYOUTS
from linkview.model.read import read_file
from tests.live_cases import ROOT, Running, running
from tests.published_checkers import WEB, node_missing

SMALL = Path(__file__).parent / "small.toml"
THERE = "typeof live !== 'undefined'"  # a page on its way is still empty
OPENED = f"() => {THERE} && live.state.car && document.documentElement.dataset.shapes === 'yes'"


@pytest.fixture(scope="module")
def server(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(tmp_path_factory.mktemp("home"), "view") as one:
        yield one


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("cars")
    text = SMALL.read_text(encoding="utf-8")
    (place / "good.toml").write_text(text, encoding="utf-8")
    (place / "bad.toml").write_text(text.replace("mass_kg", "mas_kg"), encoding="utf-8")
    (place / "broken.toml").write_text("[car\nname = 1", encoding="utf-8")
    (place / "other.toml").write_text("[tool]\nname = 'no car'", encoding="utf-8")
    return place


def _page(browser: Any, url: str, wide: int = 1280, high: int = 800, **how: Any) -> Any:
    tab = browser.new_context(viewport={"width": wide, "height": high}, **how).new_page()
    tab.set_default_timeout(90_000)
    tab.goto(url)
    return tab


def test_from_the_start_screen_to_a_car_and_to_another(
    browser: Any, server: Running, folder: Path
) -> None:
    tab = _page(browser, server.url)
    # a folder: hard-point files only, and those that cannot be read with the reason
    tab.fill("#place", str(folder))
    tab.press("#place", "Enter")
    tab.wait_for_selector(".entry:has-text('good.toml')")
    names = tab.locator("#folder .entry[data-path] span").all_inner_texts()
    assert names == ["bad.toml", "broken.toml", "good.toml"]
    # a file with faults: every one is told, nothing is opened
    tab.click(".entry:has-text('bad.toml')")
    tab.wait_for_selector("#startfault:has-text('mass_kg')")
    assert "nothing was opened" in tab.inner_text("#startfault").lower()
    # a new car
    tab.click("[data-start=double_wishbone]")
    tab.fill("#newname", "mine & <b>")
    tab.click("#begin")
    tab.wait_for_selector("#startfault:has-text('no file name')")
    tab.fill("#newname", "mine")
    tab.click("#begin")
    tab.wait_for_function(OPENED)
    assert tab.inner_text("h1") == "mine"
    assert not tab.is_visible("#start")
    assert read_file(folder / "mine.toml").axles["front"].layout == "double_wishbone"
    # another one, from the open page; what stood there before is not shown as the new car's
    before = tab.evaluate("() => live.state.car.generation")
    tab.click("#tab-about")
    tab.click("#another")
    tab.wait_for_selector("#recent:has-text('mine.toml')")
    assert tab.is_visible("#back")
    tab.click("#demo")
    tab.wait_for_selector("h1:has-text('Workshop demo coupe')")
    tab.wait_for_function(OPENED)
    assert tab.evaluate("() => live.state.car.generation") > before
    assert tab.evaluate("() => live.state.car.state.base") == "planned"
    tab.context.close()


DROP = """([name, text]) => { const drop = new Event('drop', { cancelable: true });
  drop.dataTransfer = { files: [new File([text], name)], types: ['Files'] };
  window.dispatchEvent(drop); }"""


def test_a_hard_point_file_dropped_is_opened_or_copied_and_none_is_written_over(
    browser: Any, server: Running, tmp_path: Path
) -> None:
    text = SMALL.read_text(encoding="utf-8")
    (tmp_path / "here.toml").write_text("[car]", encoding="utf-8")
    tab = _page(browser, server.url)
    tab.wait_for_function(f"() => {THERE} && (live.start.shown() || live.state.car)")
    tab.evaluate(DROP, ["<b>it.toml", text.replace("mass_kg", "mas_kg")])
    tab.wait_for_selector("#dropping:has-text('tells what is in a file, not where it lies')")
    tab.fill("#dropfolder", str(tmp_path))
    for name, why in (
        ("<b>", "no file name"),
        ("here", "exists; choose another"),
        ("it", "mass_kg"),
    ):
        tab.fill("#dropname", name)
        tab.click("#dropcopy")
        tab.wait_for_selector(f"#dropfault:has-text('{why}')")
    tab.keyboard.press("Escape")
    assert [p.name for p in tmp_path.iterdir()] == ["here.toml"]
    # one that is right: the copy is opened
    tab.evaluate(DROP, ["it.toml", text])
    tab.wait_for_selector("#dropping[open]")
    tab.fill("#dropfolder", str(tmp_path))
    tab.click("#dropcopy")
    tab.wait_for_function(
        f"() => {THERE} && live.state.car && live.state.car.state.file === 'it.toml'"
    )
    tab.wait_for_function(OPENED)
    assert (tmp_path / "it.toml").read_bytes() == SMALL.read_bytes()
    # the file that is open, dropped: it is known by its content; what is not saved is asked about
    tab.wait_for_function("() => live.state.pose && live.settled()")
    tab.evaluate("() => live.setWheel('spacer', 5)")
    tab.wait_for_function("() => live.state.car.state.unsaved && live.settled()")
    tab.evaluate(DROP, ["it.toml", text])
    tab.wait_for_selector(f"#dropping:has-text('It lies at {tmp_path / 'it.toml'}')")
    assert "changes that are not saved. They are kept" in tab.inner_text("#dropping")
    tab.click("#dropopen")
    tab.wait_for_selector("#banner:has-text('Work not saved last time was brought back')")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["here.toml", "it.toml"]
    tab.context.close()


def test_a_copy_whose_meshes_are_missing_is_not_written(tmp_path: Path) -> None:
    mesh = '\n[axle.front.bodies.arch]\nkind = "mesh"\nfile = "arch.stl"\nunit = "mm"\n'
    text = SMALL.read_text(encoding="utf-8") + mesh
    with pytest.raises(LinkviewError, match=r"new\.toml: .*'arch\.stl' is not there; looked for"):
        copied_file(text, str(tmp_path), "new.toml")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "arch.stl").write_bytes(b"a mesh")
    assert copied_file(text, str(tmp_path), "new.toml").read_text(encoding="utf-8") == text
    assert lies_at("new.toml", text, [tmp_path]) == tmp_path / "new.toml"
    assert lies_at("new.toml", text + " ", [tmp_path]) is None
    assert lies_at("../new.toml", text, [tmp_path / "x"]) is None


def test_only_looking_shows_no_folders(browser: Any, server: Running, tmp_path: Path) -> None:
    with running(tmp_path, "view", "--address", "0.0.0.0") as one:
        assert one.process.stdout is not None
        look = one.process.stdout.readline().split()[-1]
        tab = _page(browser, look)
        tab.wait_for_selector("#start:has-text('No car is open yet')")
        tab.evaluate(
            """() => { live.wire.on('refused', (m) => { window.told = m.words; });
            live.wire.ask({ do: 'folder', path: '/' }); }"""
        )
        tab.wait_for_function("() => window.told && window.told.includes('may only look')")
        assert tab.locator(".entry").count() == 0
        tab.context.close()


def test_the_start_screen_is_accessible(browser: Any, tmp_path: Path) -> None:
    # Truth: axe-core's rules tagged WCAG 2.1 A and AA.
    missing = node_missing("axe-core")
    if missing:
        pytest.skip(missing)
    axe = (WEB / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")
    with running(tmp_path, "view") as one:
        for wide, scheme in ((1280, "light"), (390, "dark")):
            tab = _page(browser, one.url, wide, 844, color_scheme=scheme, bypass_csp=True)
            tab.wait_for_selector(".layout")
            tab.evaluate(axe)
            tab.click("[data-start=five_link]")
            found = tab.evaluate(
                """() => axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa']})
                .then(r => r.violations.map(v => v.id + ': ' +
                  v.nodes.map(n => n.html).join(' | ')))"""
            )
            assert found == []
            assert tab.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
            # keyboard alone: focus goes from the name to Begin
            tab.keyboard.press("Tab")
            assert tab.evaluate("() => document.activeElement.id") == "begin"
            tab.context.close()


# --- without a browser --------------------------------------------------------------------------


def test_every_layout_has_a_car_to_begin_from(tmp_path: Path) -> None:
    shown = {a.layout for path in starts().values() for a in read_file(path).axles.values()}
    assert shown >= set(LAYOUTS)
    made = new_file("trailing_arm", str(tmp_path), "mine.toml")
    assert made == tmp_path / "mine.toml"
    with pytest.raises(CannotWrite, match="exists; choose another name"):
        new_file("trailing_arm", str(tmp_path), "mine")
    for name in ("", "../up", "a/b", ".hidden", "x" * 300, "c:\\d"):
        with pytest.raises(CannotWrite, match="no file name"):
            new_file("trailing_arm", str(tmp_path), name)
    with pytest.raises(CannotWrite, match="whole path"):
        new_file("trailing_arm", "here", "mine")
    with pytest.raises(LinkviewError, match="did you mean 'trailing_arm'"):
        new_file("trailing_am", str(tmp_path), "other")
    assert [p.name for p in tmp_path.iterdir()] == ["mine.toml"]


def test_a_folder_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    with pytest.raises(LinkviewError, match="choose another folder"):
        folder_json(str(tmp_path / "gone"))
    with pytest.raises(LinkviewError, match="whole path"):
        folder_json("../..")
    (tmp_path / "big.toml").write_bytes(b"#" * 3_000_000)
    assert folder_json(str(tmp_path))["files"] == []


def test_linkview_alone_opens_the_start_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []
    monkeypatch.setattr(opening, "serve_page", lambda model, **rest: asked.append(model) or 0)
    assert cli.main([]) == 0
    assert asked == [None]


def _window(tmp_path: Path, script: str) -> subprocess.CompletedProcess[str]:
    """`linkview view --window` where the only browser is a script."""
    if os.name != "posix":
        pytest.skip("the stand-in for a browser is a shell script")
    fake = tmp_path / "bin" / "chromium"
    fake.parent.mkdir()
    fake.write_text(f"#!{sys.executable}\nimport os, sys, time\n{script}\n")
    fake.chmod(0o755)
    env = {**os.environ, "PATH": str(fake.parent), "PYTHONPATH": str(ROOT)}
    env |= {"LINKVIEW_HOME": str(tmp_path / "home"), "OUT": str(tmp_path / "told")}
    command = [sys.executable, "-m", "linkview", "view", str(SMALL), "--window"]
    return subprocess.run(command, env=env, capture_output=True, text=True, timeout=60)


def test_a_window_of_its_own_ends_the_program_when_closed(tmp_path: Path) -> None:
    # The stand-in fetches the page it was given, as a browser would, and closes after 3.5 s.
    script = (
        "import urllib.request\n"
        "link = next(a[6:] for a in sys.argv if a.startswith('--app='))\n"
        "page = urllib.request.urlopen(link).read().decode()\n"
        "open(os.environ['OUT'], 'w').write(' '.join(sys.argv[1:]) + page)\n"
        "time.sleep(3.5)"
    )
    done = _window(tmp_path, script)
    assert done.returncode == 0
    assert "its window was closed" in done.stderr
    told = (tmp_path / "told").read_text()
    assert "<title>linkview</title>" in told
    assert re.search(r"--user-data-dir=\S+/home/window", told)
    link = re.search(r"http://127\.0\.0\.1:\d+/", done.stdout)
    assert link is not None
    with pytest.raises(OSError, match="refused"):
        urllib.request.urlopen(link.group())


def _ended(status: int) -> Window:
    window = Window(subprocess.Popen([sys.executable, "-c", f"raise SystemExit({status})"]))
    window.process.wait(30)
    return window


def test_a_window_that_could_not_open_is_a_tab_instead(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    tabs: list[str] = []
    monkeypatch.setattr(opening.webbrowser, "open", tabs.append)
    assert _ended(0).fate() is Fate.OPEN  # handed on to a window that was open already
    shown = opening._Served("http://127.0.0.1:1/", _ended(21))
    assert not shown.over()
    assert tabs == ["http://127.0.0.1:1/"]
    monkeypatch.setattr("linkview.live.window._programs", lambda: iter([Path("/nowhere/at/all")]))
    assert not opening._shown("http://127.0.0.1:2/", opening.Show.WINDOW).over()
    assert tabs[-1] == "http://127.0.0.1:2/"
    said = capsys.readouterr().err
    assert "could not open a window of its own; the page is in a tab" in said
    assert "(Chromium family) was found; the page is in a tab" in said

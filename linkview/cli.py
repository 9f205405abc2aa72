"""The command line: parses, calls, and is the one door where an error becomes a line on screen.

Heavy libraries load inside the command that needs them, so that `linkview --help` answers at once.
Exit status: 0 done; 1 with --strict when a gap, limit or plate falls short; 2 for input that
cannot be used or a plate that was refused; 130 when stopped from the keyboard.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from linkview import __version__
from linkview.errors import GraphicsMissing, LinkviewError

if TYPE_CHECKING:
    from concurrent.futures import Future

    from linkview.alignment.sensitivity import Sensitivity
    from linkview.app.aside import Aside
    from linkview.app.results import Written
    from linkview.export.identity import Identity
    from linkview.kinematics.assemble import Rebuilder
    from linkview.limits.sensitivity import StopSlopes
    from linkview.model.parts import Axle, Car
    from linkview.model.read import HardPointFile
    from linkview.plates.plate import Plate
    from linkview.plates.profiles import ShopProfile
    from linkview.study import CarStudy, Tell

DONE, SHORT, UNUSABLE, STOPPED = 0, 1, 2, 130
_HANDED = ("model", "out", "papers")
SHOPS = ("water_jet", "laser", "plasma")
VIEWS = ("corner", "front", "rear", "left", "right", "top")


def main(argv: Sequence[str] | None = None) -> int:
    """Runs one command and returns its exit status."""
    args = _parser().parse_args(argv)
    run: Callable[[argparse.Namespace], int] = args.run
    try:
        with _heeding_interrupts():
            return run(args)
    except LinkviewError as fault:
        for line in str(fault).splitlines():
            print(f"linkview: {line}", file=sys.stderr)
        return UNUSABLE
    except KeyboardInterrupt:
        print("linkview: stopped; nothing half-written is left", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:  # the reader of our output went away, as `| head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="linkview",
        description="Where every joint of a suspension goes, what touches what, and the plates to "
        "cut, from one hard-point file.",
        epilog="Computed geometry proves nothing about strength, fatigue, welds or loads; 'no "
        "contact found' is not 'safe'. See README.md.",
    )
    parser.add_argument("--version", action="version", version=f"linkview {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _add(commands, "demo", _demo, "the whole job on the invented demo car", ("out", "film"))
    _add(commands, "run", _run, "the whole job on a hard-point file", ("model", "out", "film"))
    _add(commands, "check", _check, "list every fault of a file and its variants", ("model",))
    _add(commands, "sweep", _sweep, "positions, alignment and limits as tables", ("model", "out"))
    _add(commands, "gaps", _gaps, "the least gap of every pair of bodies", ("model", "out"))
    _add(commands, "envelope", _envelope, "the volume a body sweeps, as STL", ("model", "out"))
    _add(commands, "plates", _plates, "draw the plates, all their files", ("model", "out", "paper"))
    _add(commands, "pack", _pack, "everything to hand over: a folder and a zip", (*_HANDED, "film"))
    _add(commands, "page", _hand_over, "one-file offline page, to mail", _HANDED)
    _add(commands, "model3d", _hand_over, "animated 3-D file (GLB) for any viewer", _HANDED)
    _add(commands, "report", _hand_over, "report, set-up and measuring sheet", _HANDED)
    _add(
        commands,
        "picture",
        _picture,
        "a picture: chosen side, pose, size, background",
        ("model", "out", "view"),
    )
    _add_measure(commands)
    _add_as_built(commands)
    _add(
        commands,
        "film",
        _read_out_film,
        "a film with alignment and gaps read out in every frame",
        ("model", "out", "film kind"),
    )
    _add_live(commands)
    _add_shop(commands)
    _add_outline(commands)
    _add_compare(commands)
    _add_sensitivity(commands)
    _add_setting(commands)
    _add_trust(commands)
    _add_targets(commands)
    return parser


def _add_measure(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "tape, plumb, level and arm readings of [survey] to hard points, and how good they are"
    sub = commands.add_parser("measure", help=words, description=words.capitalize() + ".")
    sub.set_defaults(run=_measure)
    sub.add_argument(
        "model", metavar="FILE.toml", type=Path, help="a hard-point file, or one with [survey] only"
    )
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")
    sub.add_argument("--revision", default="-", help="printed on the sheet")
    sub.add_argument("--date", type=_date, metavar="YYYY-MM-DD", help="default: today")
    sub.add_argument(
        "--strict",
        action="store_true",
        help="exit with status 1 when a reading or the shape is doubted",
    )


def _add_as_built(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "the finished car measured again: deviations, alignment, limits, gaps, pages to sign"
    sub = commands.add_parser("asbuilt", help=words, description=words.capitalize() + ".")
    sub.set_defaults(run=_as_built)
    sub.add_argument("model", metavar="MODEL.toml", type=Path, help="the hard-point file")
    sub.add_argument("measured", metavar="MEASURED.toml", type=Path, help="a file with [survey]")
    sub.add_argument("--variant", metavar="NAME", default="as_found", help="which design was built")
    sub.add_argument(
        "--within", metavar="MM", type=_positive, default=2.0, help="allowed (default: 2 mm)"
    )
    sub.add_argument("--no-gaps", action="store_true", help="leave the gaps out: much quicker")
    sub.add_argument(
        "--shop", metavar="SHOP", default=SHOPS[0], help="whose rules plates must pass"
    )
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")
    sub.add_argument("--revision", default="-", help="printed on every page")
    sub.add_argument("--date", type=_date, metavar="YYYY-MM-DD", help="default: today")
    sub.add_argument("--strict", action="store_true", help="exit with status 1 on a shortfall")


def _add_live(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "the live page in the browser: move the linkage, drag points, watch gaps"
    sub = commands.add_parser("view", help=words, description=words.capitalize() + ".")
    sub.set_defaults(run=_live)
    sub.add_argument("model", metavar="MODEL.toml", type=Path, help="the hard-point file")
    sub.add_argument("--variant", metavar="NAME", default="as_found", help="where to begin")
    sub.add_argument("--shop", metavar="SHOP", default=SHOPS[0], help="profile or FILE.toml")
    sub.add_argument("--port", type=int, default=0, help="default: a free one")
    sub.add_argument("--no-browser", action="store_true", help="only print the link")
    sub.add_argument(
        "--address",
        metavar="ADDRESS",
        default="127.0.0.1",
        help="listen on this address of the machine, for others to look; without it only this "
        "machine can open the page",
    )


def _add_shop(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "show a shop profile as a file to copy and edit"
    sub = commands.add_parser("shop", help=words, description=words.capitalize() + ".")
    sub.add_argument("name", nargs="?", default="", help=f"one of {', '.join(SHOPS)}")
    sub.set_defaults(run=_shop_file)


def _add_outline(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "check any DXF against a shop profile, picture its faults, mend it into a new file"
    sub = commands.add_parser("outline", help=words, description=words.capitalize() + ".")
    sub.add_argument("drawing", metavar="FILE.dxf", type=Path)
    sub.add_argument("--shop", metavar="SHOP", default=SHOPS[0], help="profile or FILE.toml")
    sub.add_argument("--thickness", metavar="MM", type=_positive, required=True)
    sub.add_argument("--unit", choices=("mm", "cm", "m", "in"), help="where the file has none")
    sub.add_argument("--layer", help="take this layer alone")
    sub.add_argument("--join", metavar="MM", type=_not_negative, default=0.05)
    sub.add_argument("--arcs", metavar="MM", type=_not_negative, default=0.05)
    sub.add_argument(
        "--bolt-hole",
        metavar="MM",
        type=_positive,
        action="append",
        default=[],
        help="diameter of holes that take bolts; may be given again",
    )
    sub.add_argument("--picture", metavar="FILE", type=Path, help="PNG or PDF of the faults")
    sub.add_argument("--mend", metavar="NEW.dxf", type=Path, help="write what can be mended")
    sub.set_defaults(run=_outline)


def _positive(text: str) -> float:
    value = _not_negative(text)
    if value <= 0.0:
        raise argparse.ArgumentTypeError(f"{text} is not more than 0")
    return value


def _not_negative(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number of mm") from None
    if not 0.0 <= value < 1e6:
        raise argparse.ArgumentTypeError(f"{text} is not a length of 0 or more, in mm")
    return value


def _add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    run: Callable[[argparse.Namespace], int],
    words: str,
    takes: tuple[str, ...],
) -> None:
    sub = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".")
    sub.set_defaults(run=run)
    if "model" in takes:
        sub.add_argument("model", metavar="MODEL.toml", type=Path, help="the hard-point file")
    if name != "check":
        sub.add_argument(
            "--variant",
            metavar="NAME",
            default="planned" if name == "demo" else "as_found",
            help="a planned change of the file (default: %(default)s)",
        )
        sub.add_argument(
            "--hold",
            choices=("wheel_height", "damper_length", "tyres_on_ground"),
            help="what stays put while steering (default: as the file says)",
        )
        sub.add_argument(
            "--shop",
            metavar="SHOP",
            default=SHOPS[0],
            help=f"whose rules the plates must pass: {', '.join(SHOPS)}, or your own FILE.toml "
            "(default: %(default)s)",
        )
        sub.add_argument(
            "--strict",
            action="store_true",
            help="exit with status 1 when a gap, a limit or a plate falls short",
        )
    if "out" in takes:
        sub.add_argument(
            "--out",
            metavar="DIR",
            type=Path,
            help="folder for the results (default: exports/MODEL-VARIANT)",
        )
    if "paper" in takes:
        papers = ("A4", "Letter")
        sub.add_argument("--step", action="store_true", help="STEP too (extra: linkview[step])")
        sub.add_argument("--paper", choices=papers, default="A4", help="for the 1:1 templates")
    if name == "gaps":
        sub.add_argument(
            "--pictures", action="store_true", help="a close-up of every pair that falls short"
        )
    if name == "envelope":
        sub.add_argument("axle", metavar="AXLE", help="the axle, such as front")
        sub.add_argument("body", metavar="BODY", help="the body, such as tyre or rim")
        sub.add_argument(
            "--grow", metavar="MM", type=float, default=0.0, help="grown by this besides"
        )
    if "papers" in takes:
        sub.add_argument("--revision", default="-", help="printed on every page of the papers")
        sub.add_argument(
            "--date", type=_date, default=None, metavar="YYYY-MM-DD", help="default: today"
        )
    if "view" in takes:
        _take_view(sub)
    if "film kind" in takes:
        _take_film(sub)
    if "film" in takes:
        sub.add_argument("--no-film", action="store_true", help="pictures, but no MP4 and GIF")


def _add_compare(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "two states of one file side by side, and the changes between them one by one"
    sub = commands.add_parser("compare", help=words, description=words.capitalize() + ".")
    sub.set_defaults(run=_compare)
    sub.add_argument("model", metavar="MODEL.toml", type=Path, help="the hard-point file")
    sub.add_argument("before", metavar="BEFORE", help="as_found, or a variant of the file")
    sub.add_argument("after", metavar="AFTER", help="the variant to hold against it")
    sub.add_argument("--no-gaps", action="store_true", help="leave the gaps out: much quicker")
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")


def _add_sensitivity(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "which 1 mm matters: every reading's change by every hard point"
    sub = commands.add_parser("sensitivity", help=words, description=words.capitalize() + ".")
    sub.set_defaults(run=_sensitivity)
    sub.add_argument("model", metavar="MODEL.toml", type=Path, help="the hard-point file")
    sub.add_argument("--variant", metavar="NAME", default="as_found", help="a planned change")
    sub.add_argument("--rack", type=float, default=0.0, metavar="MM", help="the pose (default 0)")
    sub.add_argument("--travel", type=float, default=0.0, metavar="MM", help="the pose (default 0)")
    sub.add_argument(
        "--parts",
        choices=("follow", "kept"),
        default="follow",
        help="follow: a point measured elsewhere, parts are as long as the points say; kept: a "
        "bracket moved, every part keeps its size (default: %(default)s)",
    )
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")


def _add_setting(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    for name, run, words in (
        ("adjusters", _adjusters, "what a turn, a millimetre or a shim of every adjuster does"),
        ("setup", _set_up, "wanted alignment -> settings of the adjusters, and their order"),
    ):
        sub = commands.add_parser(name, help=words, description=words.capitalize() + ".")
        sub.set_defaults(run=run)
        sub.add_argument("model", metavar="MODEL.toml", type=Path, help="the hard-point file")
        sub.add_argument("--variant", metavar="NAME", default="as_found", help="a planned change")
        sub.add_argument("--axle", metavar="NAME", help="this axle alone")
        sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")
        if name == "setup":
            sub.add_argument(
                "--want",
                metavar="READING=VALUE",
                type=_wanted,
                action="append",
                default=[],
                help="camber, caster, toe_in (deg), ride_height (mm), bump_toe (deg/mm), with "
                "_left or _right for one side; over the file's; may be given again",
            )
            sub.add_argument(
                "--fix",
                metavar="ADJUSTER",
                action="append",
                default=[],
                help="leave it as it is (NAME, NAME_left or NAME_right); may be given again",
            )
            sub.add_argument("--strict", action="store_true", help="exit 1 if a value is not met")


def _add_trust(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "how far to trust each number, from measuring and cutting doubt; what to measure better"
    sub = commands.add_parser("trust", help=words, description=words.capitalize() + ".")
    sub.set_defaults(run=_trust)
    sub.add_argument("model", metavar="MODEL.toml", type=Path, help="the hard-point file")
    sub.add_argument("--variant", metavar="NAME", default="as_found", help="a planned change")
    sub.add_argument("--axle", metavar="NAME", help="this axle alone")
    sub.add_argument("--cars", metavar="N", type=_count, default=2000, help="drawn (%(default)s)")
    sub.add_argument("--seed", metavar="N", type=int, default=1, help="which cars (%(default)s)")
    sub.add_argument(
        "--cut",
        metavar="MM",
        type=_not_negative,
        default=0.0,
        help="how far a plate's hole may be off either way; added to the points that plates hold",
    )
    sub.add_argument(
        "--every-pose", action="store_true", help="the spread at each of 861 poses too"
    )
    sub.add_argument(
        "--keep",
        metavar="DIR",
        type=Path,
        help="keep what is done there, so that a run cut short goes on where it stopped",
    )
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")


def _add_targets(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "move points inside boxes to reach aims: several answers, each with what it costs"
    sub = commands.add_parser("targets", help=words, description=words.capitalize() + ".")
    sub.set_defaults(run=_targets)
    sub.add_argument("model", metavar="MODEL.toml", type=Path, help="the hard-point file")
    sub.add_argument("--variant", metavar="NAME", default="as_found", help="a planned change")
    sub.add_argument("--axle", metavar="NAME", help="this axle alone")
    sub.add_argument("--seed", metavar="N", type=int, default=1, help="of the drawn starts")
    sub.add_argument("--strict", action="store_true", help="exit 1 if no answer meets every aim")
    sub.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")


def _count(text: str) -> int:
    """A number of cars."""
    number = int(text) if text.isdecimal() else 0
    if not 20 <= number <= 10_000_000:
        raise argparse.ArgumentTypeError(f"'{text}' is not a count from 20 to 10 million")
    return number


def _wanted(text: str) -> tuple[str, float]:
    """'camber=-3.5' as a pair."""
    name, mark, value = text.partition("=")
    try:
        number = float(value)
    except ValueError:
        number = float("nan")
    if not mark or not name or not abs(number) < 1e6:
        raise argparse.ArgumentTypeError(f"'{text}' is not READING=VALUE, such as camber=-3.5")
    return name.strip(), number


def _take_view(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--axle", default="front", help="which axle (default: %(default)s)")
    views = (*VIEWS, "four")
    sub.add_argument("--from", dest="view", choices=views, default="corner", help="seen from")
    sub.add_argument("--rack", type=float, default=0.0, metavar="MM", help="+ to the car's left")
    sub.add_argument("--travel", type=float, default=0.0, metavar="MM", help="+ bump")
    sub.add_argument("--size", type=_size, default=(1600, 1000), metavar="WxH", help="pixels")
    sub.add_argument("--no-background", action="store_true", help="nothing behind the car")


def _take_film(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--axle", default="front", help="which axle (default: %(default)s)")
    sub.add_argument("--from", dest="view", choices=VIEWS, default="corner", help="seen from")
    sub.add_argument("--size", type=_size, default=(1280, 720), metavar="WxH", help="pixels")
    sub.add_argument(
        "--format",
        choices=("mp4", "gif", "frames"),
        default="mp4",
        help="one file, or a folder of numbered PNG frames (default: %(default)s)",
    )
    sub.add_argument(
        "--gap",
        nargs=2,
        action="append",
        default=[],
        metavar=("BODY", "OTHER"),
        help="read out this pair; may be given up to 12 times (default: the five worst)",
    )


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no date; write 2026-03-31") from None


def _size(text: str) -> tuple[int, int]:
    parts = text.lower().split("x")
    if len(parts) != 2 or not all(p.isdigit() for p in parts):
        raise argparse.ArgumentTypeError(f"'{text}' is no size; write 1600x1000")
    wide, high = (int(p) for p in parts)
    if not (200 <= wide <= 8000 and 200 <= high <= 8000):
        raise argparse.ArgumentTypeError(f"'{text}': each side from 200 to 8000 pixels")
    return wide, high


# --- the commands -----------------------------------------------------------------------------


def _demo(args: argparse.Namespace) -> int:
    args.model = demo_file()
    return _run(args)


def demo_file() -> Path:
    """The shipped demo car: beside the package in a clone, inside it when installed elsewhere."""
    for folder in (Path(__file__).parent.parent / "models", Path(__file__).parent / "models"):
        path = folder / "demo_coupe" / "demo_coupe.toml"
        if path.is_file():
            return path
    raise LinkviewError("the demo car is missing from this installation; install from the clone")


def _run(args: argparse.Namespace) -> int:
    from concurrent.futures import ThreadPoolExecutor

    from linkview.export.graphics import require_graphics

    with ThreadPoolExecutor(max_workers=1) as aside:
        # The trial picture is made by another process: ask for it before there is need of it.
        trial = aside.submit(require_graphics)
        return _whole_job(args, trial)


def _whole_job(args: argparse.Namespace, trial: Future[None]) -> int:
    from linkview.app.aside import drawing_aside

    with drawing_aside() as aside:  # it loads what it draws with while this process reads the file
        return _computed_and_drawn(args, trial, aside)


def _film(
    study: CarStudy, found: Car, folder: Path, tell: Tell, names: Sequence[str]
) -> list[Written]:
    """Films drawn by this process; what draws loads only where there are any."""
    if not names:
        return []
    from linkview.app.pictures import draw_film

    return [written for name in names for written in draw_film(study, found, folder, tell, name)]


def _computed_and_drawn(args: argparse.Namespace, trial: Future[None], aside: Aside) -> int:
    from linkview.app.results import results_folder, write_summary, write_tables
    from linkview.study import study_with_gaps, study_without_gaps

    file, car, found = _cars(args)
    missing = None
    with (
        _progress() as tell,
        results_folder(_folder(args, file)) as folder,
        aside.closing(),
    ):
        moved = study_without_gaps(car, _shop(args), tell)
        films = [] if args.no_film else list(moved.axles)
        pictures: list[Future[list[Written]]] = []
        try:
            trial.result()
            pictures.append(aside.at_ride_height(moved, found, folder))
            pictures += [aside.film(moved, found, folder, name) for name in films[1:]]
        except GraphicsMissing as reason:
            missing = reason

        def draw(measured: CarStudy, name: str) -> None:
            if missing is None:
                pictures.append(aside.worst_gap(measured, found, folder, name))

        _announce_compiling()
        study = study_with_gaps(moved, tell, _rebuilder(args, file), measured=draw)
        # Loaded late: the pictures at ride height began the sooner.
        from linkview.app.gap_results import write_gap_tables
        from linkview.app.plate_results import write_cut_files

        files = write_tables(study, found, folder) + write_gap_tables(study, folder)
        files += write_cut_files(study, folder)
        if missing is None:
            files += _film(study, found, folder, tell, films[:1])
            tell("waiting for the last picture", 0, 1)
            files += [drawn for job in pictures for drawn in job.result()]
        files.append(write_summary(study, files, folder))
    _say_summary(study)
    print("\nFILES in " + str(_folder(args, file)))
    for written in files:
        print(f"  {written.name:<34} {written.what}")
    print("More on paper: linkview plates (drawings, templates, sheets), linkview sweep (curves).")
    if missing is not None:
        print(f"linkview: no pictures: {missing}", file=sys.stderr)
    return _status(args, study)


def _pack(args: argparse.Namespace) -> int:
    from linkview.app.aside import drawing_aside
    from linkview.app.package import Drawing, begin_drawing, fill_package, zip_of
    from linkview.app.results import results_folder
    from linkview.export.graphics import require_graphics
    from linkview.study import study_with_gaps, study_without_gaps

    file, car, found = _cars(args)
    _announce_compiling()
    day = args.date or date.today()
    folder = args.out or Path("exports") / f"{file.path.stem}-{args.variant}-{day.isoformat()}"
    identity, shop = _identity(args, file, car), _shop(args)
    with _progress() as tell, results_folder(folder) as staging, drawing_aside() as aside:
        moved = study_without_gaps(car, shop, tell)
        tell("looking for OpenGL", 0, 1)
        try:
            require_graphics()
            films = [] if args.no_film else list(moved.axles)
            drawing = begin_drawing(aside, moved, found, staging, films=films)
        except GraphicsMissing as reason:
            drawing = Drawing([], [], reason)
        study = study_with_gaps(moved, tell, _rebuilder(args, file))
        before = study_without_gaps(found, shop, tell)
        made = fill_package(study, before, identity, staging, tell, drawing)
    zipped = folder.with_name(f"{folder.name}.zip")
    zip_of(folder, zipped, made.names, date=(day.year, day.month, day.day))
    _say_summary(study)
    print(f"\nFILES in {folder}, and all of them in {zipped}")
    for written in made.files:
        print(f"  {written.name:<34} {written.what}")
    if made.missing is not None:
        print(f"linkview: no pictures: {made.missing}", file=sys.stderr)
    return _status(args, study)


def _hand_over(args: argparse.Namespace) -> int:
    from linkview.app.handover import hand_over_model, hand_over_page, hand_over_report
    from linkview.app.results import results_folder
    from linkview.study import study_with_gaps, study_without_gaps

    file, car, found = _cars(args)
    if args.command != "model3d":
        _announce_compiling()
    identity, shop = _identity(args, file, car), _shop(args)
    with _progress() as tell:
        study = study_without_gaps(car, shop, tell)
        if args.command != "model3d":
            study = study_with_gaps(study, tell, _rebuilder(args, file))
        with results_folder(_folder(args, file)) as folder:
            if args.command == "page":
                files = hand_over_page(study, found, identity, folder)
            elif args.command == "model3d":
                files = hand_over_model(study, identity, folder)
            else:
                before = study_without_gaps(found, shop, tell)
                files = hand_over_report(study, before, identity, folder)
    for written in files:
        print(f"{written.name}: {written.what}")
    _say_files(args, file, [f.name for f in files])
    return _status(args, study)


def _live(args: argparse.Namespace) -> int:
    from linkview.live.opening import serve_page

    return serve_page(
        args.model,
        variant=args.variant,
        shop=_shop(args),
        host=args.address,
        port=args.port,
        browser=not args.no_browser,
    )


def _picture(args: argparse.Namespace) -> int:
    from linkview.app.handover import hand_over_cut_out, hand_over_four_views, hand_over_view
    from linkview.app.results import results_folder
    from linkview.errors import near_miss
    from linkview.export.graphics import require_graphics
    from linkview.export.views import View
    from linkview.study import study_without_gaps

    file, car, _ = _cars(args)
    if args.axle not in car.axles:
        raise LinkviewError(f"no axle '{args.axle}'; {near_miss(args.axle, list(car.axles))}")
    require_graphics()
    study = study_without_gaps(car, _shop(args), lambda what, done, count: None)
    with results_folder(_folder(args, file)) as folder:
        if args.view == "four":
            files = hand_over_four_views(study, folder)
        else:
            draw = hand_over_cut_out if args.no_background else hand_over_view
            pose = {"rack_mm": args.rack, "travel_mm": args.travel}
            view = View(args.view)
            files = [draw(study, car.axles[args.axle], folder, view, size=args.size, **pose)]
    _say_files(args, file, [f.name for f in files])
    return DONE


def _read_out_film(args: argparse.Namespace) -> int:
    from linkview.app.films import film_read_outs
    from linkview.app.results import results_folder
    from linkview.errors import near_miss
    from linkview.export.graphics import require_graphics
    from linkview.export.readout_film import FilmKind
    from linkview.export.views import View
    from linkview.study import study_without_gaps

    file, car, _ = _cars(args)
    if args.axle not in car.axles:
        raise LinkviewError(f"no axle '{args.axle}'; {near_miss(args.axle, list(car.axles))}")
    if len(args.gap) > 12:
        raise LinkviewError(f"--gap is given {len(args.gap)} times; 12 is the most that has room")
    kind = FilmKind[args.format.upper()]
    there = _folder(args, file) / f"{args.axle}_readouts{kind.value}"
    if kind is FilmKind.FRAMES and there.exists():
        raise LinkviewError(f"{there} is there already; move it away, or choose another --out")
    require_graphics()
    _announce_compiling()
    with _progress() as tell:
        study = study_without_gaps(car, _shop(args), tell)
        with results_folder(_folder(args, file)) as folder:
            view, pairs = View(args.view), [(a, b) for a, b in args.gap]
            files = film_read_outs(
                study, args.axle, folder, tell, view=view, size=args.size, kind=kind, pairs=pairs
            )
    for written in files:
        print(f"{written.name}: {written.what}")
    _say_files(args, file, [f.name for f in files])
    return DONE


def _identity(args: argparse.Namespace, file: HardPointFile, car: Car) -> Identity:
    from linkview.export.identity import identify

    return identify(file, car, revision=args.revision, date=_day(args))


def _day(args: argparse.Namespace) -> str:
    day = args.date or date.today()
    return f"{day.day} {day.strftime('%B')} {day.year}"


def _check(args: argparse.Namespace) -> int:
    from linkview.app.check import check_file

    found = check_file(args.model)
    print(found.words)
    return DONE


def _sweep(args: argparse.Namespace) -> int:
    from linkview.app.charts import draw_charts
    from linkview.app.results import results_folder, write_tables
    from linkview.study import study_without_gaps

    file, car, found = _cars(args)
    with _progress() as tell:
        study = study_without_gaps(car, _shop(args), tell)
        with results_folder(_folder(args, file)) as folder:
            files = write_tables(study, found, folder)
            files += draw_charts(study, found, folder)
    _say_summary(study)
    _say_files(args, file, [f.name for f in files])
    return _status(args, study)


def _gaps(args: argparse.Namespace) -> int:
    from linkview.app.gap_results import draw_gap_charts, write_gap_tables
    from linkview.app.results import results_folder
    from linkview.export.summary import advice_words, gap_words, stops_words
    from linkview.export.tables import write_gaps
    from linkview.study import gap_shortfalls, study_car

    file, car, found = _cars(args)
    _announce_compiling()
    with _progress() as tell:
        study = study_car(car, _shop(args), tell, _rebuilder(args, file))
        with results_folder(_folder(args, file)) as folder:
            write_gaps(folder / "gaps.csv", study.axles)
            tables = write_gap_tables(study, folder) + draw_gap_charts(study, folder)
            if args.pictures:
                from linkview.app.pictures import draw_gap_pictures

                tables += draw_gap_pictures(study, found, folder, tell)
    short = []
    for name, axle in study.axles.items():
        print(f"{name.upper()} AXLE ({axle.axle.hold.words})")
        for side, pair in axle.worst_pairs(10_000):
            print(f"  {gap_words(axle, side, pair)}")
            for line in advice_words(axle, side, pair):
                print(f"    {line}")
        for line in stops_words(axle):
            print(f"  {line}")
        for side, survey in axle.gaps.items():
            print(f"  left out, {side.value} side:")
            for out in survey.left_out:
                print(f"    {out.pair[0]} to {out.pair[1]}: {out.reason}")
        short += gap_shortfalls(axle)
    _say_files(args, file, ["gaps.csv", *(t.name for t in tables)])
    return SHORT if args.strict and short else DONE


def _envelope(args: argparse.Namespace) -> int:
    from linkview.app.results import results_folder
    from linkview.export.envelope import write_envelope
    from linkview.study import swept_volume

    file, car, _ = _cars(args)
    _announce_compiling()
    with _progress() as tell:
        swept = swept_volume(car, args.axle, args.body, args.grow, tell)
        with results_folder(_folder(args, file)) as folder:
            made = write_envelope(folder / f"{args.axle}_{args.body}_envelope.stl", swept)
    print(f"{args.axle} {args.body}: {made.words}")
    _say_files(args, file, [made.name])
    return DONE


def _plates(args: argparse.Namespace) -> int:
    from linkview.app.plate_results import write_plate_files
    from linkview.app.results import results_folder
    from linkview.export.summary import plate_words
    from linkview.export.tables import write_plates
    from linkview.export.templates import Paper
    from linkview.study import study_without_gaps

    file, car, _ = _cars(args)
    study = study_without_gaps(car, _shop(args), lambda what, done, count: None)
    drawn = [p for axle in study.axles.values() for p in axle.plates]
    if not drawn:
        raise LinkviewError(f"{file.path}: no [axle.NAME.plates.NAME] tables; add one to draw")
    with results_folder(_folder(args, file)) as folder:
        paper, step = Paper(args.paper), _step_writer(args)
        made = write_plate_files(study, folder, paper=paper, step=step)
        write_plates(folder / "plates.csv", study.axles)
    for plate in drawn:
        print(plate_words(plate))
    for words in made.words:
        print(words)
    for caution in dict.fromkeys(c for r in made.receipts for c in r.cautions):
        print(f"CAUTION: {caution}")
    _say_files(args, file, [*(f.name for f in made.written), "plates.csv"])
    return _status(args, study)


def _step_writer(args: argparse.Namespace) -> Callable[[Plate, Path], float] | None:
    if not args.step:
        return None
    try:
        from linkview.export.step import write_step
    except ImportError:
        raise LinkviewError(
            "--step needs build123d (about 1 GB), which is not installed: pip install "
            "'linkview[step]', or leave --step off"
        ) from None
    return write_step


def _shop_file(args: argparse.Namespace) -> int:
    from linkview.plates.profiles import built_in_text

    if not args.name:
        print("\n".join(SHOPS))
        return DONE
    print(built_in_text(args.name), end="")
    return DONE


def _outline(args: argparse.Namespace) -> int:
    from linkview.app.outline_check import check_outline, draw_faults, write_mended

    profile = _shop(args)
    check = check_outline(
        args.drawing,
        profile,
        thickness_mm=args.thickness,
        unit=args.unit,
        layer=args.layer,
        join_mm=args.join,
        arcs_mm=args.arcs,
        bolts_mm=args.bolt_hole,
    )
    print("\n".join(check.words))
    if args.picture is not None:
        draw_faults(check, args.picture)
        print(f"picture: {args.picture}")
    if args.mend is not None:
        print(f"mended: {write_mended(check, args.mend, profile)}")
        return DONE
    return DONE if check.clean else UNUSABLE


def _compare(args: argparse.Namespace) -> int:
    from linkview.app.compare import compare_with_gaps, compare_without_gaps, write_comparison
    from linkview.app.results import results_folder
    from linkview.export.summary import CAUTIONS
    from linkview.model.read import read_file

    file = read_file(args.model)
    work = compare_without_gaps if args.no_gaps else compare_with_gaps
    args.variant = f"{args.before}-against-{args.after}"
    with _progress() as tell:
        compared = work(file, args.before, args.after, tell)
        with results_folder(_folder(args, file)) as folder:
            files = write_comparison(compared, folder)
    print("\n".join(compared.lines))
    print(f"\nCAUTION: {CAUTIONS[0]}\nCAUTION: {CAUTIONS[1]}")
    _say_files(args, file, [f.name for f in files])
    return DONE


def _measure(args: argparse.Namespace) -> int:
    from linkview.app.results import results_folder
    from linkview.app.survey_results import solved, write_survey
    from linkview.export.summary import CAUTIONS
    from linkview.export.survey_words import survey_lines
    from linkview.model.read import read_survey

    file = read_survey(args.model)
    survey = solved(file)
    folder = args.out or Path("exports") / f"{file.path.stem}-survey"
    with results_folder(folder) as staging:
        files = write_survey(file, survey, staging, revision=args.revision, day=_day(args))
    print("\n".join(survey_lines(file, survey)))
    print(f"\nCAUTION: {CAUTIONS[0]}")
    print(f"\nwritten to {folder}: {', '.join(f.name for f in files)}")
    unsure = survey.doubts or survey.found.rivals
    return SHORT if args.strict and unsure else DONE


def _as_built(args: argparse.Namespace) -> int:
    from linkview.app.asbuilt import as_built, with_gaps, write_as_built
    from linkview.app.results import results_folder
    from linkview.export.asbuilt import asbuilt_lines
    from linkview.export.identity import identify, with_source
    from linkview.export.summary import CAUTIONS
    from linkview.model.read import read_file

    file = read_file(args.model)
    if not args.no_gaps:
        _announce_compiling()
    folder = args.out or Path("exports") / f"{file.path.stem}-{args.variant}-as-built"
    with _progress() as tell:
        found = as_built(
            file, args.variant, args.measured, _shop(args), tell, tolerance_mm=args.within
        )
        if not args.no_gaps:
            found = with_gaps(found, tell)
        identity = identify(file, found.design.car, revision=args.revision, date=_day(args))
        identity = with_source(identity, args.measured)
        with results_folder(folder) as staging:
            files = write_as_built(found, identity, staging)
    print("\n".join(asbuilt_lines(found)))
    print(f"\nCAUTION: {CAUTIONS[0]}\nCAUTION: {CAUTIONS[1]}")
    print(f"\nwritten to {folder}: {', '.join(f.name for f in files)}")
    return SHORT if args.strict and found.falls_short else DONE


def _sensitivity(args: argparse.Namespace) -> int:
    from linkview.alignment.sensitivity import sensitivities
    from linkview.app.results import results_folder
    from linkview.export.sensitivity import ranked_lines, stop_lines, write_sensitivity
    from linkview.kinematics.assemble import build_car
    from linkview.kinematics.sensitivity import Sizes
    from linkview.limits.sensitivity import stop_slopes
    from linkview.model.parts import Side
    from linkview.model.read import read_file

    file = read_file(args.model)
    car = build_car(file, args.variant)
    sizes = Sizes[args.parts.upper()]
    tables: list[Sensitivity] = []
    stops: list[tuple[Sensitivity, tuple[StopSlopes, ...]]] = []
    for axle in car.axles.values():
        rack = args.rack if axle.left.rack is not None else 0.0
        here = sensitivities(axle, car, rack, args.travel, sizes)
        for table in here:
            corner = axle.right if table.side is Side.RIGHT else axle.left
            moved = table.coordinates
            met = stop_slopes(corner, axle, car, args.travel, moved, sizes)
            stops.append((table, met))
        tables += here
    with results_folder(_folder(args, file)) as folder:
        write_sensitivity(folder / "sensitivity.csv", tables, stops)
    for table, found in stops:
        lines = [*ranked_lines(table), *stop_lines(found, table.coordinates)]
        print("\n".join(lines))
    print("\nFor small changes: the slope at this pose, not a promise at 10 mm.")
    _say_files(args, file, ["sensitivity.csv"])
    return DONE


def _adjusters(args: argparse.Namespace) -> int:
    from linkview.app.results import results_folder
    from linkview.export.setting import HELD, dial_lines, write_dials
    from linkview.kinematics.assemble import build_car
    from linkview.model.read import read_file
    from linkview.tuning.dials import dial_table

    file = read_file(args.model)
    car = build_car(file, args.variant)
    tables = [dial_table(axle, car) for axle in _axles_to_set(args, car)]
    with results_folder(_folder(args, file)) as folder:
        write_dials(folder / "adjusters.csv", tables)
    for table in tables:
        print("\n".join(dial_lines(table)) + "\n")
    print(HELD + " Slopes at the present setting: a cam or a long slot bends them.")
    _say_files(args, file, ["adjusters.csv"])
    return DONE


def _set_up(args: argparse.Namespace) -> int:
    from linkview.app.results import results_folder
    from linkview.export.setting import HELD, set_up_lines, write_set_up, write_wanted
    from linkview.export.summary import CAUTIONS
    from linkview.kinematics.assemble import build_car
    from linkview.model.read import read_file
    from linkview.tuning.setting import set_up, wanted_of

    file = read_file(args.model)
    car = build_car(file, args.variant)
    axles = _axles_to_set(args, car)
    if args.want and len(axles) > 1:
        raise LinkviewError(f"--want: for which axle? add --axle {' or '.join(car.axles)}")
    found = []
    for axle in axles:
        wanted = wanted_of(axle.wanted, dict(args.want))
        mine = [n for n in args.fix if len(axles) == 1 or _names_dial(n, axle)]
        if wanted or args.want or len(axles) == 1:
            found.append(set_up(axle, car, wanted, mine))
    lost = [n for n in args.fix if not any(_names_dial(n, axle) for axle in axles)]
    if lost:
        raise LinkviewError(f"--fix: no adjuster '{lost[0]}' on any axle")
    if not found:
        raise LinkviewError(f"{file.path}: nothing is wanted; add [axle.NAME.wanted], or --want")
    with results_folder(_folder(args, file)) as folder:
        write_set_up(folder / "setup_steps.csv", found)
        write_wanted(folder / "setup_readings.csv", found)
    for one in found:
        print("\n".join(set_up_lines(one)) + "\n")
    print(HELD)
    print(f"\nCAUTION: {CAUTIONS[0]}")
    _say_files(args, file, ["setup_steps.csv", "setup_readings.csv"])
    return SHORT if args.strict and any(one.misses for one in found) else DONE


def _trust(args: argparse.Namespace) -> int:
    from linkview.app.results import results_folder
    from linkview.app.trust_results import trust_lines_and_tables
    from linkview.errors import UnknownName, near_miss
    from linkview.kinematics.assemble import build_car, rebuilder
    from linkview.model.read import read_file

    file = read_file(args.model)
    car = build_car(file, args.variant)
    if args.axle is not None and args.axle not in car.axles:
        raise UnknownName(f"no axle '{args.axle}'; {near_miss(args.axle, car.axles)}")
    axles = [axle for name, axle in car.axles.items() if args.axle in (None, name)]
    with _progress() as tell:
        lines, write = trust_lines_and_tables(
            car,
            axles,
            rebuilder(file, args.variant),
            count=args.cars,
            seed=args.seed,
            cut_mm=args.cut,
            keep=args.keep,
            every=args.every_pose,
            tell=tell,
        )
    with results_folder(_folder(args, file)) as folder:
        names = write(folder)
    print("\n".join(lines))
    _say_files(args, file, names)
    return DONE


def _targets(args: argparse.Namespace) -> int:
    from linkview.app.results import results_folder
    from linkview.errors import UnknownName, near_miss
    from linkview.export.summary import CAUTIONS
    from linkview.export.targets import NEXT, answer_lines, write_answers, write_variants
    from linkview.kinematics.assemble import build_car
    from linkview.model.read import read_file
    from linkview.tuning.targets import reach

    file = read_file(args.model)
    car = build_car(file, args.variant)
    if args.axle is not None and args.axle not in car.axles:
        raise UnknownName(f"no axle '{args.axle}'; {near_miss(args.axle, car.axles)}")
    some = [a for n, a in car.axles.items() if (a.aims and args.axle is None) or args.axle == n]
    if not some:
        raise LinkviewError(f"{file.path}: nothing to aim at; add [[axle.NAME.aims]]")
    found = {}
    with _progress() as tell:
        for axle in some:

            def heard(done: int, count: int, name: str = axle.name) -> None:
                tell(f"{name} axle: choices of points", done, count)

            found[axle.name] = axle, reach(axle, car, seed=args.seed, heard=heard)
    with results_folder(_folder(args, file)) as folder:
        write_answers(folder / "targets.csv", found)
        write_variants(folder / "targets_variants.toml", found, args.variant)
    for axle, answers in found.values():
        print("\n".join(answer_lines(axle, answers)) + "\n")
    print(NEXT)
    print(f"\nCAUTION: {CAUTIONS[0]}")
    _say_files(args, file, ["targets.csv", "targets_variants.toml"])
    short = any(all(a.missed for a in answers) for _, answers in found.values())
    return SHORT if args.strict and short else DONE


def _names_dial(name: str, axle: Axle) -> bool:
    return any(name in (n, f"{n}_left", f"{n}_right") for n in axle.adjusters)


def _axles_to_set(args: argparse.Namespace, car: Car) -> list[Axle]:
    """The axle asked for, or every one that has adjusters."""
    from linkview.errors import UnknownName, near_miss

    if args.axle is not None:
        if args.axle not in car.axles:
            raise UnknownName(f"no axle '{args.axle}'; {near_miss(args.axle, car.axles)}")
        return [car.axles[args.axle]]
    some = [axle for axle in car.axles.values() if axle.adjusters]
    if not some:
        raise LinkviewError(
            f"{car.path}: no axle has adjusters; add [axle.NAME.adjusters.NAME], as in "
            "models/demo_coupe/setting_up.toml"
        )
    return some


# --- shared by the commands -------------------------------------------------------------------


def _cars(args: argparse.Namespace) -> tuple[HardPointFile, Car, Car]:
    """The file, the car asked for, and the car as found."""
    from dataclasses import replace

    from linkview.kinematics.assemble import build_car
    from linkview.model.parts import Hold
    from linkview.model.read import read_file

    file = read_file(args.model)
    cars = [build_car(file, args.variant), build_car(file)]
    if args.hold is not None:
        hold = Hold(args.hold)
        cars = [
            replace(c, axles={n: replace(a, hold=hold) for n, a in c.axles.items()}) for c in cars
        ]
    return file, cars[0], cars[1]


def _rebuilder(args: argparse.Namespace, file: HardPointFile) -> Rebuilder:
    from linkview.kinematics.assemble import rebuilder

    return rebuilder(file, args.variant)


def _shop(args: argparse.Namespace) -> ShopProfile:
    from linkview.plates.profiles import named_profile

    return named_profile(args.shop)


def _folder(args: argparse.Namespace, file: HardPointFile) -> Path:
    if args.out is not None:
        return Path(args.out)
    return Path("exports") / f"{file.path.stem}-{args.variant}"


def _status(args: argparse.Namespace, study: CarStudy) -> int:
    if any(plate.refused for axle in study.axles.values() for plate in axle.plates):
        return UNUSABLE
    return SHORT if args.strict and study.shortfalls else DONE


def _say_summary(study: CarStudy) -> None:
    from linkview.export.summary import CAUTIONS, summary_lines

    print("\n".join(summary_lines(study)))
    print(f"\nCAUTION: {CAUTIONS[0]}\nCAUTION: {CAUTIONS[1]}")


def _say_files(args: argparse.Namespace, file: HardPointFile, names: Sequence[str]) -> None:
    print(f"\nwritten to {_folder(args, file)}: {', '.join(names)}")


_interrupted = threading.Event()


@contextmanager
def _heeding_interrupts() -> Iterator[None]:
    """Keeps a Ctrl-C in mind: a library's import may swallow the exception that it raises."""

    def note(number: int, frame: FrameType | None) -> None:
        _interrupted.set()
        raise KeyboardInterrupt

    ours = (
        threading.current_thread() is threading.main_thread()
        and signal.getsignal(signal.SIGINT) is signal.default_int_handler
    )
    if not ours:
        yield
        return
    signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        _interrupted.clear()


def _heed() -> None:
    """Stops here if the builder has asked for it."""
    if _interrupted.is_set():
        raise KeyboardInterrupt


def _announce_compiling() -> None:
    """Said where the output is kept too: on a machine's first run ever it takes some seconds."""
    from linkview.clearance.compiled import compiled_before

    if not compiled_before():
        words = "compiling what measures gaps; only this first time, about 20 s"
        print(f"linkview: {words}", file=sys.stderr, flush=True)


@contextmanager
def _progress() -> Iterator[Tell]:
    """A bar on a terminal, nothing where the output is kept; stops where the builder asked to."""
    _heed()
    if not sys.stderr.isatty():
        yield lambda what, done, count: _heed()
        _heed()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1)

        def tell(what: str, done: int, count: int) -> None:
            _heed()
            bar.update(task, description=what, completed=done, total=count)

        yield tell


if __name__ == "__main__":
    sys.exit(main())

"""`plates`, `shop`, `outline`: plates drawn, a shop's profile shown, a foreign drawing checked."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from linkview.commands.arguments import (
    SHOPS,
    Commands,
    command,
    not_negative,
    positive,
    take_model,
    take_out,
    take_study,
)
from linkview.commands.common import (
    DONE,
    UNUSABLE,
    cars_of,
    folder_for,
    say_files,
    shop_of,
    status_of,
)
from linkview.errors import LinkviewError

if TYPE_CHECKING:
    from linkview.plates.plate import Plate


def add_plates(commands: Commands) -> None:
    sub = command(commands, "plates", _plates, "draw the plates, all their files")
    take_model(sub)
    take_study(sub)
    take_out(sub)
    papers = ("A4", "Letter")
    sub.add_argument("--step", action="store_true", help="STEP too (extra: linkview[step])")
    sub.add_argument("--paper", choices=papers, default="A4", help="for the 1:1 templates")


def _plates(args: argparse.Namespace) -> int:
    from linkview.app.folder import results_folder
    from linkview.app.plate_results import write_plate_files
    from linkview.export.summary import plate_words
    from linkview.export.tables import write_plates
    from linkview.export.templates import Paper
    from linkview.study import study_without_gaps

    file, car, _ = cars_of(args)
    study = study_without_gaps(car, shop_of(args), lambda what, done, count: None)
    drawn = [p for axle in study.axles.values() for p in axle.plates]
    if not drawn:
        raise LinkviewError(f"{file.path}: no [axle.NAME.plates.NAME] tables; add one to draw")
    with results_folder(folder_for(args, file)) as folder:
        paper, step = Paper(args.paper), _step_writer(args)
        made = write_plate_files(study, folder, paper=paper, step=step)
        write_plates(folder / "plates.csv", study.axles)
    for plate in drawn:
        print(plate_words(plate))
    for words in made.words:
        print(words)
    for caution in dict.fromkeys(c for r in made.receipts for c in r.cautions):
        print(f"CAUTION: {caution}")
    say_files(args, file, [*(f.name for f in made.written), "plates.csv"])
    return status_of(args, study)


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


def add_shop(commands: Commands) -> None:
    words = "show a shop profile as a file to copy and edit"
    sub = command(commands, "shop", _shop_file, words)
    sub.add_argument("name", nargs="?", default="", help=f"one of {', '.join(SHOPS)}")


def _shop_file(args: argparse.Namespace) -> int:
    from linkview.plates.profiles import built_in_text

    if not args.name:
        print("\n".join(SHOPS))
        return DONE
    print(built_in_text(args.name), end="")
    return DONE


def add_outline(commands: Commands) -> None:
    words = "check any DXF against a shop profile, picture its faults, mend it into a new file"
    sub = command(commands, "outline", _outline, words)
    sub.add_argument("drawing", metavar="FILE.dxf", type=Path)
    sub.add_argument("--shop", metavar="SHOP", default=SHOPS[0], help="profile or FILE.toml")
    sub.add_argument("--thickness", metavar="MM", type=positive, required=True)
    sub.add_argument("--unit", choices=("mm", "cm", "m", "in"), help="where the file has none")
    sub.add_argument("--layer", help="take this layer alone")
    sub.add_argument("--join", metavar="MM", type=not_negative, default=0.05)
    sub.add_argument("--arcs", metavar="MM", type=not_negative, default=0.05)
    sub.add_argument(
        "--bolt-hole",
        metavar="MM",
        type=positive,
        action="append",
        default=[],
        help="diameter of holes that take bolts; may be given again",
    )
    sub.add_argument("--picture", metavar="FILE", type=Path, help="PNG or PDF of the faults")
    sub.add_argument("--mend", metavar="NEW.dxf", type=Path, help="write what can be mended")


def _outline(args: argparse.Namespace) -> int:
    from linkview.app.outline_check import check_outline, draw_faults, write_mended

    profile = shop_of(args)
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

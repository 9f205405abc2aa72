"""`picture`, `film`: one picture, or a film with figures in every frame."""

from __future__ import annotations

import argparse

from linkview.commands.arguments import (
    Commands,
    command,
    pixels,
    place,
    take_model,
    take_out,
    take_study,
)
from linkview.commands.common import DONE, cars_of, folder_for, say_files, shop_of
from linkview.commands.progress import announce_compiling, progress
from linkview.errors import LinkviewError

VIEWS = ("corner", "front", "rear", "left", "right", "top")


def add_picture(commands: Commands) -> None:
    words = "a picture: chosen side, pose, size, background"
    sub = command(commands, "picture", _picture, words)
    take_model(sub)
    take_study(sub)
    take_out(sub)
    _take_view(sub)


def add_film(commands: Commands) -> None:
    words = "a film with alignment and gaps read out in every frame"
    sub = command(commands, "film", _read_out_film, words)
    take_model(sub)
    take_study(sub)
    take_out(sub)
    _take_film(sub)


def _picture(args: argparse.Namespace) -> int:
    from linkview.app.folder import results_folder
    from linkview.app.handover import hand_over_cut_out, hand_over_four_views, hand_over_view
    from linkview.export.graphics import require_graphics
    from linkview.export.views import View
    from linkview.study import study_without_gaps

    file, car, _ = cars_of(args)
    car.axle_named(args.axle)
    require_graphics()
    study = study_without_gaps(car, shop_of(args), lambda what, done, count: None)
    with results_folder(folder_for(args, file)) as folder:
        if args.view == "four":
            files = hand_over_four_views(study, folder)
        else:
            draw = hand_over_cut_out if args.no_background else hand_over_view
            pose = {"rack_mm": args.rack, "travel_mm": args.travel}
            view = View(args.view)
            files = [draw(study, car.axles[args.axle], folder, view, size=args.size, **pose)]
    say_files(args, file, [f.name for f in files])
    return DONE


def _take_view(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--axle", default="front", help="which axle (default: %(default)s)")
    views = (*VIEWS, "four")
    sub.add_argument("--from", dest="view", choices=views, default="corner", help="seen from")
    sub.add_argument("--rack", type=place, default=0.0, metavar="MM", help="+ to the car's left")
    sub.add_argument("--travel", type=place, default=0.0, metavar="MM", help="+ bump")
    sub.add_argument("--size", type=pixels, default=(1600, 1000), metavar="WxH", help="pixels")
    sub.add_argument("--no-background", action="store_true", help="nothing behind the car")


def _read_out_film(args: argparse.Namespace) -> int:
    from linkview.app.films import film_read_outs
    from linkview.app.folder import results_folder
    from linkview.export.graphics import require_graphics
    from linkview.export.readout_film import FilmKind
    from linkview.export.views import View
    from linkview.study import study_without_gaps

    file, car, _ = cars_of(args)
    car.axle_named(args.axle)
    if len(args.gap) > 12:
        raise LinkviewError(f"--gap is given {len(args.gap)} times; 12 is the most that has room")
    kind = FilmKind[args.format.upper()]
    there = folder_for(args, file) / f"{args.axle}_readouts{kind.value}"
    if kind is FilmKind.FRAMES and there.exists():
        raise LinkviewError(f"{there} is there already; move it away, or choose another --out")
    require_graphics()
    announce_compiling()
    with progress() as tell:
        study = study_without_gaps(car, shop_of(args), tell)
        with results_folder(folder_for(args, file)) as folder:
            view, pairs = View(args.view), [(a, b) for a, b in args.gap]
            files = film_read_outs(
                study, args.axle, folder, tell, view=view, size=args.size, kind=kind, pairs=pairs
            )
    for written in files:
        print(f"{written.name}: {written.what}")
    say_files(args, file, [f.name for f in files])
    return DONE


def _take_film(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--axle", default="front", help="which axle (default: %(default)s)")
    sub.add_argument("--from", dest="view", choices=VIEWS, default="corner", help="seen from")
    sub.add_argument("--size", type=pixels, default=(1280, 720), metavar="WxH", help="pixels")
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

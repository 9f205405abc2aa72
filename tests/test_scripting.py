"""For those who script: labelled arrays, frames, pickles, and sweeps in parts."""

from __future__ import annotations

import pickle
import subprocess
import sys

import numpy as np
import pytest
from shipped import car_of

from linkview.alignment.axle import align
from linkview.alignment.jacking import steering_jacking
from linkview.alignment.sensitivity import sensitivities
from linkview.export import frames
from linkview.kinematics.sensitivity import Sizes
from linkview.kinematics.stream import MOST_POSES, reduced_on_cores, sweep_in_parts
from linkview.kinematics.sweep import CornerSweep, sweep_axle, sweep_corner
from linkview.limits.readings import readings
from linkview.limits.regions import region_map
from linkview.limits.stops import first_stop
from linkview.model.parts import Hold

RACK, TRAVEL = np.linspace(-30.0, 30.0, 7), np.linspace(-20.0, 20.0, 5)


def test_readings_and_places_as_labelled_arrays():
    car = car_of("double_wishbone")
    sweep = sweep_axle(car.axles["front"], RACK, TRAVEL)
    alignment = align(sweep, car)
    data = frames.readings_dataset(alignment)
    one = data["camber_deg"].sel(side="right", rack_mm=10.0, travel_mm=-10.0)
    assert float(one) == alignment.right.camber_deg[4, 1]
    assert data["camber_deg"].attrs["units"] == "deg"
    assert data["roll_centre_height_mm"].dims == ("rack_mm", "travel_mm")
    assert "held while steering" in data.attrs["held"]
    places = frames.places_dataset(sweep)
    at = places.sel(side="left", point="tie_rod_outer", rack_mm=30.0, travel_mm=20.0)
    assert at.to_numpy() == pytest.approx(sweep.left.point("tie_rod_outer")[6, 4])
    assert places.attrs["units"] == "mm"


def test_readings_and_slopes_as_frames():
    car = car_of("double_wishbone")
    axle = car.axles["front"]
    frame = frames.readings_frame(align(sweep_axle(axle, RACK, TRAVEL), car))
    assert len(frame) == 2 * 7 * 5
    assert frame.attrs["units"]["trail_mm"] == "mm"
    tables = sensitivities(axle, car, 0.0, 0.0, Sizes.KEPT)
    slopes = frames.sensitivity_frame(tables)
    mine = slopes[(slopes.reading == "toe_in_deg") & (slopes.point == "tie_rod_inner")]
    strongest = tables[0].ranked("toe_in_deg", axle.left.side)[0]
    assert mine.set_index("axis").change_per_mm["y"] == pytest.approx(strongest[1])


def test_without_the_extra_it_says_what_to_install():
    code = (
        "import sys; sys.modules['xarray'] = None\n"
        "from linkview.errors import LinkviewError\n"
        "try:\n import linkview.export.frames\n"
        "except LinkviewError as said:\n print(said)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "linkview[tables]" in done.stdout


def test_everything_goes_through_pickle():
    car = car_of("demo_coupe")
    for name, axle in car.axles.items():
        sweep = sweep_axle(axle, RACK if name == "front" else np.zeros(1), TRAVEL)
        things = [
            car,
            sweep,
            align(sweep, car),
            first_stop(sweep, car),
            readings(sweep, car),
            region_map(sweep, readings(sweep, car), None),
            sensitivities(axle, car, 0.0, 0.0, Sizes.FOLLOW),
        ]
        again = [pickle.loads(pickle.dumps(x)) for x in things]
        assert again[1].left.pose("knuckle") == pytest.approx(sweep.left.pose("knuckle"))
        assert again[3].words == things[3].words
    jacking = steering_jacking(car, "front", [30.0])
    assert pickle.loads(pickle.dumps(jacking)).load_n == pytest.approx(jacking.load_n)


# --- in parts -----------------------------------------------------------------------------------


def least_camber(sweep: CornerSweep) -> float:
    """By name, so that another process finds it."""
    return float(np.nanmin(sweep.spin_axis[..., 2]))


def test_parts_are_the_whole_sweep(front):
    rack = np.linspace(-40.0, 40.0, 3001)
    travel = np.linspace(-30.0, 30.0, 120)
    assert len(rack) * len(travel) > 2 * MOST_POSES
    parts = list(sweep_in_parts(front, rack, travel, Hold.DAMPER_LENGTH))
    assert len(parts) == 3
    assert np.concatenate([p.travel_mm for p in parts]) == pytest.approx(travel)
    whole = sweep_corner(front, rack[::150], travel[::17], Hold.DAMPER_LENGTH)
    knuckle = np.concatenate([p.pose("knuckle") for p in parts], axis=1)
    assert np.abs(knuckle[::150, ::17] - whole.pose("knuckle")).max() < 1e-9


def test_two_processes_give_what_one_gives(front):
    rack, travel = np.linspace(-40.0, 40.0, 3001), np.linspace(-30.0, 30.0, 120)
    rows = np.array_split(travel, 4)  # two parts for each of two, all alike
    one = [least_camber(sweep_corner(front, rack, r, Hold.WHEEL_HEIGHT)) for r in rows]
    many = reduced_on_cores(front, rack, travel, Hold.WHEEL_HEIGHT, least_camber, workers=2)
    assert list(many) == pytest.approx(one, abs=1e-12)

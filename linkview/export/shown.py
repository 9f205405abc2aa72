"""Which read-outs a page shows, in this order: names of `alignment.quantities`."""

SHOWN = (
    "steer_deg",
    "toe_in_deg",
    "camber_deg",
    "caster_deg",
    "steering_axis_inclination_deg",
    "trail_mm",
    "scrub_radius_mm",
    "toggle_deg",
    "half_track_mm",
    "bump_steer_deg_per_mm",
    "motion_ratio",
    "wheel_rate_n_per_mm",
    "spring_length_mm",
    "percent_ackermann",
    "roll_centre_height_mm",
    "track_mm",
)

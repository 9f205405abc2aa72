"""The cautions that stay with every output (practice of the trade)."""

CAUTIONS = (
    "Steering or suspension failure can kill the driver and others. This is computed geometry: it "
    "proves nothing about strength, fatigue, welds or loads.",
    "Gaps are for rigid parts inside the limits given; tyre growth, flex, play and measuring error "
    "take them away. 'No contact found' is not 'safe'.",
    "Under 10 mm from tape measurements means: measure it on the car.",
    "Check by hand with the springs out, through full travel and lock, before the car moves; then "
    "at low speed; re-torque and look for cracks after.",
    "Fit a physical rack stop and a droop limit; never let a joint, a CV or an over-centre tie rod "
    "be the stop.",
    "Weld only by a person qualified for the material and position; never heat or weld forged or "
    "cast steering parts.",
    "Road use can need approval; competition rules can forbid moved points: local codes, the "
    "inspector and a qualified engineer decide.",
)

"""What a person must know before touching anything: the usual cautions, said the same way by every rule.

They do not replace the maker's manual, local codes or a qualified person, and say so.
"""

OPEN_CASE = (
    "Before opening the case: shut the box down, take it off the mains and wait; touch bare metal to lose static; let "
    "drives and heat sinks cool. Follow the maker's manual, and leave mains parts to a qualified person."
)
LIVE_DRIVE = "Do not pull or plug an M.2 drive while the box is on: it can lose data and harm parts."
DEGRADED_ARRAY = "While an array is degraded, pull no other drive of it: a second loss can take all its data."
FIRMWARE_SETUP = (
    "Settings of the board's firmware have the board maker's own names; note the old value before changing one."
)
CAUTIONS = (DEGRADED_ARRAY, LIVE_DRIVE, OPEN_CASE, FIRMWARE_SETUP)
"""All of them, what can cost most first."""

"""The words of the demo job: its job file and the headings of its survey tables."""

README = """\
The Corncrake: a demo job for loft
==================================

The Corncrake is a fictional twin-engined mail carrier of 1938. No such aircraft was
ever built; its shape, its survey and its mishaps are made up by the program.

Twelve frames of its rear body survive, F8 to F20 without F14. Frame F14 is to be made
again.

    job.toml    what is known and what is wanted, every key explained
    tape.csv    first pass of the tape, millimetres
    second.csv  second pass over the frames next to the gap, feet-inches-eighths
    ties.csv    tapes from marks on the floor to what no plumb line reached on F15
    bay.csv     stringers and skin measured between the frames, through the empty bay
    part.csv    the inspector's readings of the frame once it was made

Run it with

    loft run .
    loft prove . part.csv

`loft demo --scan FOLDER` writes the same job with a scan of the bay instead of bay.csv.

The results come to the folder out. They are a shape only: not approved data. Local
rules and a licensed engineer decide what may be flown.
"""

PASS_1_HEAD = """\
# Corncrake, rear body, first pass. Millimetres.
# Body levelled athwartships on the floor beams of F12 and F16; centre wire from the nose mark
# to the stern mark. Heights by water level from the datum staff, half-breadths from the wire.
# Steel tape, running measurements from one start. 17 degrees C, hangar doors shut.
# Touched: rivet line of the outer flange, 10 mm forward of the heel, beside each stringer,
# unless the face column says otherwise. bl: port negative. Sigma 1.5 mm by repeating F12 twice.
# F11: stands in its cradle from S11 down. F17 and F20: from S12 down. Not reached.
# F15, S9P to S13P: a trestle in the way of the plumb line; taped from floor marks, see ties.csv.
"""

TIES_HEAD = """\
# Corncrake, F15 port side low down: the flange is corroded away, read on the skin beside it.
# Millimetres. Slope distances by steel tape from five marks, A to E, that were plumbed and
# levelled themselves (control: station, bl, wl). Heights by water level where it could be seen.
"""

PASS_2_HEAD = """\
# Corncrake, rear body, second pass by another team. Feet-inches-eighths, to the nearest eighth.
# The five frames next to the gap only, same marks, same faces as the first pass.
# Port negative. Stringers counted from the crown.
# F17: in its cradle from S12 down.
"""

PART_HEAD = """\
# Corncrake, F14 as made, on the surface table: all four pieces bolted up at their splices.
# Millimetres, flange read on its rivet line; flange angles in degrees by bevel protractor.
"""

BAY_HEAD = """\
# Corncrake, empty bay between F13 and F15. Millimetres. Stations from the plumbed heel of F13.
# Stringers still run through; read on their inner flange. Crown and keel: on the skin.
# Starboard skin torn out from S5 to S8: nothing to read. At 6160 only what the staging reached.
# S12 and S13 lie under the cradle boards. Stringers hang free here: sigma 2 mm.
"""

JOB = """\
# The Corncrake, a fictional mail carrier of 1938: frame F14 is to be made again.
# Lengths are bare numbers in millimetres, or text with a unit of its own: "4' 3 5/8\\"".

[job]
title = "@TITLE@"
units = "mm"                     # of bare numbers here and in the tables: "mm" or "in"
missing = ["F14"]                # frames to lift
revision = "A"
date = 1988-05-14                # printed on everything; the program never looks at a clock
# prepared_by = ""               # your name, if it is to be printed

# ---- The frame schedule: where each frame's heel plane stands ----------------------------
# station: mm aft of the datum. touch: where along the flange the tape touched, mm from the
# heel plane, positive aft; these flanges face forward, so it is negative.

@FRAMES@
# ---- What lies between the mould line and what was touched -------------------------------

[skin]
gauge = 0.9                      # skin thickness

[stringer]
depth = 22.0                     # from the inside of the skin to the inner flange
width = 19.0                     # across the foot, for the cut-outs

# [[line]] tables are for lines that need more than their label. S4P and S4S say their side
# themselves; CROWN and KEEL are known.

# ---- The survey -------------------------------------------------------------------------

[[survey]]                       # first pass
file = "tape.csv"
sigma = 1.5                      # one standard deviation of a coordinate; a row may say otherwise
face = "frame_flange"            # what was touched; a row may say otherwise

[[survey]]                       # second pass, another team, another tape
file = "second.csv"
units = "in"                     # its cells are feet-inches-eighths
sigma = "1.5 mm"                 # of which the rounding to eighths alone makes 0.9
face = "frame_flange"
pass = 2                         # the same points again: the two are compared

@BAY@
[[ties]]                         # tapes and levels, to be adjusted into points
file = "ties.csv"
sigma = 1.5
face = "skin_inner"

# ---- What we do not trust, and why: never left out in silence ---------------------------

[[damage]]
frames = ["F13"]
lines = ["S6S", "S7S", "S8S"]
use = false                      # not used at all
reason = "flange crushed inwards, seen by eye"

[[damage]]
frames = ["F10"]
lines = ["S3P", "S4P", "S5P"]
sigma = 5.0                      # used, but believed less
reason = "old repair, plate re-riveted"

@CRUSHED@# ---- How the surface is faired ----------------------------------------------------------

[datum]
from = "survey"                  # the tables are already in station, buttock line, waterline

[fair]
symmetry = "soft"                # off | soft | exact: learn how far the sides agree
settlement = [2.5, 2.5, 0.2]     # sd of what the supports let a frame move: mm, mm, degrees

# ---- What survives of the drawing of F14 ------------------------------------------------
# In order from crown to keel, as read off a stained print. The side's centre lay beyond the
# sheet's edge and was never on it; the corner with the bottom's figures is torn off. What the
# drawing does not give is left out.

[[drawing]]
frame = "F14"
kind = "arc"
arc = "crown"
radius = 700.0
sigma = 1.0                      # what a figure on this drawing is good for

[[drawing]]
frame = "F14"
kind = "arc"
arc = "shoulder"
radius = 380.0
centre_bl = 188.0                # the only centre that is pricked through and marked
centre_wl = 1259.0
sigma = 1.0

[[drawing]]
frame = "F14"
kind = "arc"
arc = "side"
radius = 2700.0                  # the second figure lies in a fold
sigma = 2.0

[[drawing]]
frame = "F14"
kind = "arc"
arc = "bilge"
radius = 330.0
sigma = 1.0

[[drawing]]
frame = "F14"
kind = "arc"
arc = "bottom"

[[drawing]]
frame = "F14"
kind = "max_half_breadth"
value = 608.0
sigma = 0.5

# ---- The part: these are the job's own figures, no handbook's ---------------------------

[frame_section]
stands = "on_skin"               # on_skin | inside_stringers
gauge = 1.2                      # of the frame's own sheet
alloy = "2024-T3"
flange = 19.0                    # heel to free edge, on the outside
flange_faces = "forward"         # the body tapers aft: this way the flange stands open
web_depth = 75.0                 # flange line to inner edge, square to it
bend_radius = 4.0                # inside
rivet_line = 9.5                 # from the heel along the flange
trim = 6.0                       # left on the blank to be cut off after forming
splices = ["CROWN", "S7S+80", "KEEL", "S7P-80"]   # four pieces; 80 mm of girth off S7

[offsets]
waterlines = 100.0               # the offset table's spacing
buttocks = 100.0

[cutout]                         # where the stringers pass through
clearance = 1.5
corner_radius = 4.0

[splice]
type = "plate"                   # or "overlap", with lap = 60.0 or as the rivets need
rivet = 3.2

[block]                          # the forming blocks
margin = 10.0                    # deeper than the flange is wide, by this
base = 20.0                      # and this much below
pins = [                         # at which line, and how far inside the flange line
    ["S2S", 45.0], ["S6S", 45.0], ["S8S", 45.0], ["S12S", 45.0],
    ["S2P", 45.0], ["S6P", 45.0], ["S8P", 45.0], ["S12P", 45.0],
]
pin_diameter = 4.8

[tolerance]                      # what the part is judged by
mould_line = 1.5
flange_angle_deg = 1.0
hole = 0.3
"""

BAY_ENTRY = """\
[[survey]]                       # through the empty bay: stations between frames
file = "bay.csv"
sigma = 2.0
face = "stringer_inner"
"""

CRUSHED_ENTRY = """\
[[damage]]                       # the scan carries no labels: the same side by its girth
frames = ["F13"]
girth = [600.0, 1700.0]          # from the crown down the starboard side, S4S to S10S
use = false
reason = "side crushed inwards, seen by eye"

"""

CLOUD_ENTRY = """\
[[cloud]]                        # the empty bay, scanned from the @NAME@ set-up
file = "@FILE@"
units = "@UNIT@"                    # of the scan's own numbers; never guessed
sigma = "@SIGMA@ mm"                 # of one point
face = "skin_inner"              # what is looked for: stringers, webs, boards are set aside
targets = "@TARGETS@"    # ties the scanner's own axes to the aircraft's
"""

TARGETS_HEAD = """\
# Corncrake, targets in the empty bay as the @NAME@ set-up saw them: x y z in the scanner's own
# axes and unit (@UNIT@). Their centres plumbed and levelled like any other point: station, bl and
# wl in millimetres, good to 1 mm each.
"""

SCAN_README = """\
The Corncrake, bay scanned: a second demo job for loft
======================================================

The same fictional aircraft and the same damage as in the first demo job, but the empty bay
between F13 and F15 was scanned from two set-ups instead of taped. The scans are cast ray by
ray by the program, noise and shadows included.

    job.toml           what is known and what is wanted
    tape.csv           first pass of the tape over the frames, millimetres
    second.csv         second pass over the frames next to the gap, feet-inches-eighths
    ties.csv           tapes from marks on the floor to what no plumb line reached on F15
@SCANS@
Both scans stand in the scanner's own axes; the targets tie them to the aircraft. In the
scans besides the skin: stringers, one of them bowed off the skin; webs and flanges of F13
and F15; a bracket, a cable, a prop, two staging boards and their shadows; the hangar's wall
through the torn skin; some points between an edge and what lies behind it.

Run it with

    loft run .

The results come to the folder out. They are a shape only: not approved data. Local
rules and a licensed engineer decide what may be flown.
"""

"""The tables and keys that a job file may hold."""

from __future__ import annotations

from collections.abc import Mapping

from loft.job.keys import (
    Key,
    calendar_date,
    choice,
    degrees,
    exactly,
    file_name,
    flag,
    length,
    name,
    number,
    row_mark,
    several,
    span,
    text,
    whole,
)
from loft.job.records import FACES
from loft.job.units import JOB_UNITS, TABLE_UNITS

STANDS = ("on_skin", "inside_stringers")
FACES_TO = ("aft", "forward")
SIDES = ("port", "starboard", "centre")
FACT_KINDS = (
    "arc",
    "straight",
    "half_breadth",
    "max_half_breadth",
    "top",
    "bottom",
    "tangent_point",
)

_size = Key(convert=length(above=0.0))
_room = Key(convert=length(least=0.0))
_any = Key(convert=length())
_words = Key(convert=text())
_names = Key(convert=several(name(), least=1))
_file = Key(convert=file_name, required=True)
_face = choice(FACES)

JOB = {
    "title": Key(convert=text(filled=True), required=True),
    "units": Key(convert=choice(JOB_UNITS), field="unit"),
    "missing": Key(convert=several(name())),
    "revision": _words,
    "date": Key(convert=calendar_date),
    "prepared_by": _words,
}
FRAME = {
    "name": Key(convert=name(), required=True),
    "station": Key(convert=length(), required=True),
    # steeper than this a plane no longer cuts a section round the body
    "cant": Key(convert=degrees(least=-60.0, most=60.0)),
    "pivot_wl": _any,
    "status": Key(convert=choice(("sound", "suspect", "missing"))),
    "station_sigma": _room,
    "stands": Key(convert=choice(STANDS)),
    "touch": _any,
}
LINE = {
    "name": Key(convert=name(), required=True),
    "kind": Key(convert=choice(("stringer", "longeron", "chine", "crown", "keel"))),
    "side": Key(convert=choice(SIDES)),
    "chine": Key(convert=flag),
}
LAP = {
    "girth": Key(convert=span("girth", wraps=True), required=True),
    "frames": Key(convert=several(name(), least=1), required=True),
    "extra": Key(convert=length(above=0.0), required=True),
}
SURVEY = {
    "file": _file,
    "sigma": _size,
    "face": Key(convert=_face),
    "units": Key(convert=choice(TABLE_UNITS), field="unit"),
    "pass": Key(convert=whole(least=1), field="pass_no"),
}
TIES = {
    "file": _file,
    "sigma": Key(convert=length(above=0.0), required=True),
    "face": Key(convert=_face, required=True),
    "units": Key(convert=choice(TABLE_UNITS), field="unit"),
}
CLOUD = {
    "file": _file,
    "units": Key(convert=choice(("mm", "m", "in", "ft")), field="unit", required=True),
    "sigma": Key(convert=length(above=0.0), required=True),
    "face": Key(convert=_face, required=True),
    "targets": Key(convert=file_name),
    "stringers": Key(convert=flag),
    "fit_to": Key(convert=file_name),
}
DAMAGE = {
    "frames": _names,
    "lines": _names,
    "stations": Key(convert=span("station")),
    "girth": Key(convert=span("girth", wraps=True)),
    "rows": Key(convert=several(row_mark, least=1)),
    "sigma": _size,
    "use": Key(convert=flag),
    "reason": Key(convert=text(filled=True), required=True),
}
BREAK = {"station": Key(convert=length(), required=True), "reason": _words}
DATUM = {"from": Key(convert=choice(("survey", "targets", "symmetry")), field="datum_from")}
FAIR = {
    "symmetry": Key(convert=choice(("off", "soft", "exact"))),
    "settlement": Key(
        convert=exactly(
            length(least=0.0),
            length(least=0.0),
            degrees(least=0.0, most=90.0),
            what="three standard deviations, two lengths and degrees,",
        )
    ),
    "robust": Key(convert=flag),
    "arcs": Key(convert=flag),
    "extrapolate": Key(convert=flag),
}
DRAWING = {
    "frame": Key(convert=name(), required=True),
    "kind": Key(convert=choice(FACT_KINDS), required=True),
    "arc": _words,
    "radius": _any,
    "sigma": _size,
    "centre_bl": _any,
    "centre_wl": _any,
    "sweep_deg": Key(convert=degrees(above=0.0), field="sweep"),
    "length": _size,
    "at_wl": _any,
    "value": _any,
    "side": Key(convert=choice(SIDES)),
}
_hole = exactly(
    name(), length(), length(above=0.0),
    what="a line, a distance inside the flange line and a diameter",
)  # fmt: skip
FRAME_SECTION = {
    "stands": Key(convert=choice(STANDS)),
    "gauge": _size,
    "alloy": _words,
    "flange": _size,
    "flange_faces": Key(convert=choice(FACES_TO)),
    "web_depth": _size,
    "bend_radius": _room,
    "splices": Key(convert=several(name())),
    "inner_flange": _size,
    "inner_flange_faces": Key(convert=choice(FACES_TO)),
    "inner_angle": Key(convert=degrees(above=0.0, most=179.0)),
    "rivet_line": _room,
    "trim": _room,
    "bend_table": _words,
    "bend_constant": _words,
    "strain_limit": Key(
        convert=exactly(number(), number(), what="two strains, shrink and stretch,")
    ),
    "lightening": Key(convert=several(_hole)),
}
_pin = exactly(name(), length(), what="a line and a distance inside the flange line")
SHOP = {
    "offsets": {
        "waterlines": _size,
        "buttocks": _size,
        "of": Key(convert=choice(("mould", "flange")), field="offsets_of"),
    },
    "cutout": {
        "clearance": Key(convert=length(least=0.0), field="cutout_clearance"),
        "corner_radius": Key(convert=length(least=0.0), field="cutout_corner_radius"),
    },
    "splice": {
        "type": Key(convert=choice(("plate", "overlap")), field="splice_type"),
        "rivet": Key(convert=length(above=0.0), field="splice_rivet"),
        "lap": Key(convert=length(above=0.0), field="splice_lap"),
    },
    "block": {
        "margin": Key(convert=length(least=0.0), field="block_margin"),
        "base": Key(convert=length(least=0.0), field="block_base"),
        "pins": Key(convert=several(_pin), field="block_pins"),
        "pin_diameter": Key(convert=length(above=0.0), field="block_pin_diameter"),
        "overbend_deg": Key(convert=degrees(least=-45.0, most=45.0), field="block_overbend"),
        "board": Key(convert=length(above=0.0), field="block_board"),
        "follower": Key(convert=length(above=0.0), field="block_follower"),
    },
    "tolerance": {
        "mould_line": Key(convert=length(above=0.0), field="tolerance_mould_line"),
        "flange_angle_deg": Key(
            convert=degrees(above=0.0, most=45.0), field="tolerance_flange_angle"
        ),
        "hole": Key(convert=length(above=0.0), field="tolerance_hole"),
    },
}
SKIN = {"gauge": Key(convert=length(above=0.0), field="skin_gauge")}
STRINGER = {
    "depth": Key(convert=length(above=0.0), field="stringer_depth"),
    "width": Key(convert=length(above=0.0), field="stringer_width"),
}
SINGLE: dict[str, Mapping[str, Key]] = {
    "job": JOB,
    "skin": SKIN,
    "stringer": STRINGER,
    "datum": DATUM,
    "fair": FAIR,
    "frame_section": FRAME_SECTION,
    **SHOP,
}
REPEATED: dict[str, Mapping[str, Key]] = {
    "frame": FRAME,
    "line": LINE,
    "lap": LAP,
    "survey": SURVEY,
    "ties": TIES,
    "cloud": CLOUD,
    "damage": DAMAGE,
    "break": BREAK,
    "drawing": DRAWING,
}

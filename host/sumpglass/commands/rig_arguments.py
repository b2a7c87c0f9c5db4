"""Words and options of `sumpglass rig`."""

from __future__ import annotations

import argparse

from sumpglass.report.terminal_text import as_sentence

PARTS = {
    "deploy": "put the firmware on a board, every file checked by its hash; settings stay",
    "check": "acceptance run of a built rig, with a page to print",
    "zero": "what the rig shows open to the room, refused when it is not at rest",
    "calibrate": "against a water column, point by point",
    "reread": "an old recording under a newer calibration, to a new CSV file",
    "collect": "what the board logged while it was alone; erased there once it is safe here",
    "settings": "read, change and keep the board's settings",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """One sub-command each for `PARTS`."""
    parts = parser.add_subparsers(dest="part", metavar="PART", required=True, help="one of the following")
    made = {name: parts.add_parser(name, help=text, description=as_sentence(text)) for name, text in PARTS.items()}
    for name in ("deploy", "check", "zero", "calibrate", "collect", "settings"):
        made[name].add_argument("--port", help="serial port of the rig (default: the only one plugged in)")
        if name != "deploy":
            made[name].add_argument("--virtual", action="store_true", help="on the virtual rig instead")
    for name in ("check", "zero", "calibrate"):
        made[name].add_argument(
            "--channel", type=_channel, help="channel of the board (default: the first that reads a difference)"
        )
    for part in made.values():
        part.add_argument("--json", action="store_true", help="one JSON object on standard output")
    _deploy_arguments(made["deploy"])
    check = made["check"]
    check.add_argument("--seconds", type=float, default=75.0, help="at rest, 3 to 3600 (default %(default)s)")
    check.add_argument("--no-taps", action="store_true", help="leave out the finger taps on the hose")
    check.add_argument("--page", metavar="FILE.html", help="write the page to print")
    check.add_argument("--strict", action="store_true", help="exit status 1 when a check failed")
    made["zero"].add_argument("--seconds", type=float, default=5.0, help="to average (default %(default)s, at least 3)")
    made["zero"].add_argument("--casebook", metavar="FILE", help="keep the zero there")
    _calibrate_arguments(made["calibrate"])
    reread = made["reread"]
    reread.add_argument("recording", help="any recording: casebook, raw capture or CSV")
    reread.add_argument(
        "--calibration", required=True, metavar="BOOK[#N]", help="casebook that holds it; N, or the latest"
    )
    reread.add_argument("--out", required=True, metavar="FILE.csv", help="new file to write")
    collect = made["collect"]
    collect.add_argument("--out", required=True, metavar="FOLDER", help="raw captures go there, one a segment")
    collect.add_argument("--casebook", metavar="FILE", help="put them into a casebook as one recording too")
    collect.add_argument("--keep", action="store_true", help="leave the journal on the board")
    settings = made["settings"]
    settings.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="change one, e.g. channels.0.part=MPXV7007DP"
    )
    settings.add_argument("--write", metavar="FILE.json", help="replace all by those of a file")
    settings.add_argument("--save", metavar="FILE.json", help="keep a copy here, before any change")


def _deploy_arguments(deploy: argparse.ArgumentParser) -> None:
    deploy.add_argument("--again", action="store_true", help="also if the board has this version already")
    deploy.add_argument("--back", action="store_true", help="switch back to the version that was there before")


def _calibrate_arguments(part: argparse.ArgumentParser) -> None:
    kinds = ("u-tube", "u-tube-one-limb", "upright", "inclined")
    part.add_argument(
        "--column", choices=kinds, default="u-tube", help="what is read: u-tube is the difference of both limbs"
    )
    part.add_argument("--water-c", type=float, default=20.0, help="temperature of the water (default %(default)s)")
    part.add_argument("--water-u-c", type=float, default=1.0, help="its standard uncertainty (default %(default)s)")
    part.add_argument(
        "--latitude", type=float, help="for local gravity, degrees (default: standard gravity, less certain)"
    )
    part.add_argument("--altitude", type=float, default=0.0, help="for local gravity, m")
    part.add_argument("--tilt", type=float, default=90.0, help="of an inclined tube from the horizontal, degrees")
    part.add_argument("--tilt-u", type=float, default=0.1, help="its standard uncertainty (default %(default)s)")
    part.add_argument("--area-ratio", type=float, default=0.0, help="area of the tube over that of the reservoir")
    part.add_argument(
        "--reading-u-mm", type=float, default=0.5, help="standard uncertainty of a reading (default %(default)s)"
    )
    part.add_argument("--density", type=float, help="of another gauge liquid, kg/m3 (default: clean water)")
    part.add_argument("--seconds", type=float, default=4.0, help="to average at each point (default %(default)s)")
    part.add_argument(
        "--points", metavar="FILE.csv", help="use noted points (reading_mm, pressure_pa, u_pa) instead of a rig"
    )
    part.add_argument("--casebook", metavar="FILE", help="keep the calibration there; earlier ones stay")


def _channel(text: str) -> int:
    if text not in ("0", "1", "2", "3"):
        raise argparse.ArgumentTypeError(f"found {text!r}, expected 0 to 3")
    return int(text)

"""Makes every drawing, table and made section of `hardware/`: `python hardware/make.py`.

`--check` only tells what is stale.
"""

from __future__ import annotations

import csv
import io
import json
import re
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import budget_pages  # noqa: E402
import fittings_drawing  # noqa: E402
import pipe_threads  # noqa: E402
import printable_drawing  # noqa: E402
import pulse_pages  # noqa: E402
import wiring_boards  # noqa: E402
import wiring_diagrams  # noqa: E402

PART_COLUMNS = ["reference", "group", "quantity", "part", "may be substituted by", "limits that matter"]


def parts_rows() -> list[list[str]]:
    """`parts.csv`, checked. Raises ValueError with the line that is wrong."""
    with (HERE / "parts.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    if rows[0] != PART_COLUMNS:
        raise ValueError(f"parts.csv line 1: columns are {rows[0]}, expected {PART_COLUMNS}")
    seen: set[str] = set()
    for number, row in enumerate(rows[1:], 2):
        if len(row) != len(PART_COLUMNS) or not all(cell.strip() for cell in row):
            raise ValueError(f"parts.csv line {number}: expected {len(PART_COLUMNS)} filled cells")
        if row[0] in seen or not row[2].isdigit():
            raise ValueError(f"parts.csv line {number}: reference twice, or quantity is no whole number")
        seen.add(row[0])
    return rows


def as_csv(rows: list[list[str]]) -> str:
    """Comma separated, LF."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def as_markdown(rows: list[list[str]]) -> str:
    """A table with the first row as its head."""
    lines = ["| " + " | ".join(cell.replace("|", "/") for cell in row) + " |" for row in rows]
    return "\n".join([lines[0], "|" + "---|" * len(rows[0]), *lines[1:]])


def sections() -> dict[str, str]:
    """What stands between the markers of BUILD.md, by name."""
    parts = [[row[0], row[2], row[3], row[5]] for row in parts_rows()]
    return {
        "parts": as_markdown(parts),
        "clipping": as_markdown(pulse_pages.clipping_table()),
        "budgets": as_markdown(budget_pages.budget_table()),
        "wiring": wiring_section(),
        "threads": as_markdown(pipe_threads.thread_table()),
        "lines": as_markdown(pulse_pages.line_table()),
        "drills": as_markdown(pipe_threads.drill_table()),
    }


def wiring_section() -> str:
    """Each sensor under a heading of its own: picture for the first board, link for the second, settings."""
    parts = []
    first, *others = wiring_boards.BOARDS
    for key, title in wiring_diagrams.titles():
        lines = [f"### {title}", f"![{title}, {first.title}](drawings/wiring_{key}_{first.key}.svg)", ""]
        links = ", ".join(f"[{board.title}](drawings/wiring_{key}_{board.key}.svg)" for board in others)
        lines.append(f"The same on another board: {links}.")
        if key in wiring_diagrams.CHANNELS:
            channel = json.dumps(wiring_diagrams.CHANNELS[key])
            at = 1 if key == "barometer" else 0
            how = "as a second channel" if at else "as the only channel"
            lines += ["", f"Settings, {how}:", "```sh", _command(channel, at), "```"]
        parts.append("\n".join(lines))
    return "\n\n".join(parts)


def _command(channel: str, at: int) -> str:
    if at:
        return f"sumpglass rig settings --set 'channels.{at}={channel}'"
    return f"sumpglass rig settings --set 'channels=[{channel}]'"


def build_guide() -> str:
    """BUILD.md with its made sections renewed. Raises ValueError when a section has lost its markers."""
    text = (HERE / "BUILD.md").read_text(encoding="utf-8")
    for name, made in sections().items():
        pattern = re.compile(rf"(<!-- made: {name} -->\n).*?(<!-- end -->)", re.DOTALL)
        if len(pattern.findall(text)) != 1:
            raise ValueError(f"BUILD.md has no single section marked {name!r}")
        text = pattern.sub(lambda found, made=made: found.group(1) + made + "\n" + found.group(2), text)  # type: ignore[misc]
    return text


def everything() -> dict[str, str]:
    """All made files, by path below this folder."""
    made = {
        "drawings/measuring_chain.svg": fittings_drawing.measuring_chain(),
        "drawings/fittings_stack.svg": fittings_drawing.fittings_stack(),
        "drawings/error_budgets.svg": budget_pages.budget_picture(),
        "drawings/line_and_snubber.svg": pulse_pages.line_picture(),
        "drawings/printable_parts.svg": printable_drawing.printable_parts(),
        "tables/error_budgets.csv": as_csv(budget_pages.budget_table()),
        "tables/error_sources.csv": as_csv(budget_pages.source_table()),
        "tables/lines.csv": as_csv(pulse_pages.line_table()),
        "tables/clipping.csv": as_csv(pulse_pages.clipping_table()),
        "tables/pipe_threads.csv": as_csv(pipe_threads.thread_table()),
        "tables/drills.csv": as_csv(pipe_threads.drill_table()),
        "BUILD.md": build_guide(),
    }
    made.update({f"drawings/{name}": svg for name, svg in wiring_diagrams.all_wiring().items()})
    return made


def stale(made: dict[str, str]) -> list[str]:
    """Files that differ from what would be made, are missing, or that nothing makes any more."""
    found = [path for path, text in made.items() if not _same(HERE / path, text)]
    kept = [
        p.relative_to(HERE).as_posix() for folder in ("drawings", "tables") for p in sorted((HERE / folder).iterdir())
    ]
    return found + [path for path in kept if path not in made]


def _same(path: Path, text: str) -> bool:
    """Alike but for the last digit of a coordinate, which may differ with the version of a library."""
    if not path.is_file():
        return False
    there = path.read_text(encoding="utf-8")
    if there == text or path.suffix != ".svg":
        return there == text
    pieces, others = (re.split(r"(-?\d+\.?\d*)", whole) for whole in (there, text))
    return len(pieces) == len(others) and all(
        a == b if k % 2 == 0 else abs(float(a) - float(b)) < 0.05 for k, (a, b) in enumerate(zip(pieces, others))
    )


def main() -> int:
    """Write what is stale, or with `--check` only say so; 1 if there was any."""
    made = everything()
    out_of_date = stale(made)
    if "--check" in sys.argv[1:]:
        for path in out_of_date:
            print(f"stale: hardware/{path}; run python hardware/make.py")
        return 1 if out_of_date else 0
    for path in out_of_date:
        if path in made:
            (HERE / path).parent.mkdir(exist_ok=True)
            (HERE / path).write_text(made[path], encoding="utf-8", newline="\n")
            print(f"made hardware/{path}")
        else:
            (HERE / path).unlink()
            print(f"removed hardware/{path}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

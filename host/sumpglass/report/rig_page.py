"""The acceptance of a rig as one page to print and keep with it."""

from __future__ import annotations

from html import escape

from sumpglass.analysis.acceptance import FAILED, PASSED, Check
from sumpglass.report.rig_text import acceptance_sentence

_STYLE = """
body { font: 11pt/1.35 "DejaVu Sans", Verdana, sans-serif; color: #111; background: #fff; max-width: 46rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.4rem; } table { border-collapse: collapse; width: 100%; } th, td { text-align: left; vertical-align: top;
padding: .3rem .5rem; border-bottom: 1px solid #bbb; } td.word { font-weight: bold; white-space: nowrap; }
tr.failed td.word { color: #8a2a00; } tr.passed td.word { color: #1f4f8a; } .reason { color: #555; font-size: .9em; }
.verdict { font-size: 1.15rem; border: 2px solid #111; padding: .5rem .8rem; } dl { display: grid; grid-template-columns: 9rem 1fr; }
dd { margin: 0; } .lines { margin-top: 2.5rem; } .lines span { display: inline-block; width: 45%; border-top: 1px solid #111; padding-top: .2rem; margin-right: 4%; }
@page { size: A4; margin: 15mm; } @media print { body { margin: 0; } tr { break-inside: avoid; } }
"""  # noqa: E501


def rig_page(
    board: str, board_id: str, firmware: str, part: str, checks: tuple[Check, ...], date: str, program: str
) -> str:
    """HTML, complete in itself. Everything that a board said is escaped."""
    verdict = acceptance_sentence(checks)
    facts = {
        "Board": board, "Board number": board_id, "Sensor": part, "Firmware": firmware, "Checked": date,
        "Program": program,
    }  # fmt: skip
    rows = "".join(_row(check) for check in checks)
    told = "".join(f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in facts.items())
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>Acceptance of a rig, {escape(date)}</title><style>{_STYLE}</style></head><body>\n"
        f'<h1>Acceptance of a rig</h1>\n<dl>{told}</dl>\n<p class="verdict">{escape(verdict)}</p>\n'
        f"<table><thead><tr><th>Check</th><th>Outcome</th><th>Measured</th><th>Limit</th></tr></thead><tbody>{rows}</tbody></table>\n"
        '<p class="lines"><span>Checked by</span><span>Date, rig\'s own mark</span></p>\n</body></html>\n'
    )


def _row(check: Check) -> str:
    kind = check.outcome if check.outcome in (PASSED, FAILED) else "unknown"
    return (
        f'<tr class="{kind}"><td>{escape(check.name)}<div class="reason">{escape(check.reason)}</div></td>'
        f'<td class="word">{escape(check.outcome)}</td><td>{escape(check.measured)}</td>'
        f"<td>{escape(check.limit)}</td></tr>\n"
    )

"""What a person reads where something went wrong, and how figures are put into words."""

import os
import subprocess
import sys

import pytest

from sumpglass import cli
from sumpglass.commands import blow_by
from sumpglass.records import Happening
from sumpglass.report.happening_words import length_words, percent, sentence
from sumpglass.report.terminal_text import as_sentence

WORDS = ("blow-by", "--opening-mm", "5", "--pressure-pa", "100")


def test_a_fault_of_the_program_ends_in_one_line(monkeypatch, capsys):
    def broken(options):
        raise RuntimeError("first\nsecond \x1b[31m")

    monkeypatch.setattr(blow_by, "run", broken)
    assert cli.main(WORDS) == 3
    told = capsys.readouterr()
    assert told.out == "" and told.err.count("\n") == 1 and "\x1b" not in told.err
    assert "fault of the program" in told.err and "first second" in told.err
    monkeypatch.setenv(cli.TRACEBACK, "1")
    with pytest.raises(RuntimeError):
        cli.main(WORDS)


def test_full_memory_ends_in_one_line(monkeypatch, capsys):
    def broken(options):
        raise MemoryError

    monkeypatch.setattr(blow_by, "run", broken)
    assert cli.main(WORDS) == 3
    assert capsys.readouterr().err == "sumpglass blow-by: the memory is full: close other programs, or cut the file\n"


@pytest.mark.parametrize("command", sorted(cli.COMMANDS))
def test_help_keeps_capitals(command, capsys):
    with pytest.raises(SystemExit):
        cli.main([command, "--help"])
    assert as_sentence(cli.COMMANDS[command]) in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("t_s;pressure_pa\n0,000;-400,5\n", "found '0,000' as t_s, expected a decimal point, not a comma"),
        ("", "the file is empty, expected a header such as t_s,pressure_pa\n"),
    ],
)
def test_csv_says_what_to_write(text, told, tmp_path, capsys):
    file = tmp_path / "reading.csv"
    file.write_text(text)
    assert cli.main(["assess", str(file)]) == 2
    assert told in capsys.readouterr().err


def test_a_chance_is_never_certain_and_a_level_that_stayed_is_named_once():
    assert [percent(p) for p in (0.0, 0.004, 0.42, 0.996, 1.0)] == ["<1 %", "<1 %", "42 %", ">99 %", ">99 %"]
    told = sentence(Happening("rig_fault", 6.0, 6.2, -1620.0, -1621.0, "sensor_fault", 1.0))
    assert told == "Rig fault at 0:06.0, vacuum 1.62 kPa: the sensor failed, or readings are missing (>99 %)"


def test_a_terminal_without_unicode_reads_the_same(tmp_path):
    file = tmp_path / "reading.csv"
    file.write_text("t_s,pressure_pa\n" + "".join(f"{k / 100:.2f},{-400 + k % 7}\n" for k in range(900)))
    for words in (("assess", str(file)), ("layouts", "twin-bank")):
        done = subprocess.run(
            [sys.executable, "-m", "sumpglass", *words],
            capture_output=True, timeout=60, env={**os.environ, "PYTHONIOENCODING": "ascii"},
        )  # fmt: skip
        assert done.returncode == 0 and done.stderr == b"" and done.stdout.isascii() and b"?" not in done.stdout
        assert (b"+- " if words[0] == "assess" else b"+-----") in done.stdout


def test_lengths():
    assert [length_words(s) for s in (0.0, 29.76, 59.96, 91.859, 2999.0)] == [
        "0.0 s", "29.8 s", "1 min 0.0 s", "1 min 31.9 s", "49 min 59.0 s",
    ]  # fmt: skip

import json
import os
import pty
import signal
import subprocess
import sys
import time

import pytest
from diskmosaic import cli, pipeline
from diskmosaic._version import __version__


def command(*arguments):
    return [sys.executable, "-m", "diskmosaic", *map(str, arguments)]


def run(*arguments):
    return subprocess.run(command(*arguments), capture_output=True, text=True)


def call(capsys, *arguments):
    """Run the command within this process; return (exit code, stdout, stderr)."""
    with pytest.raises(SystemExit) as left:
        cli.main([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    return left.value.code, captured.out, captured.err


def test_the_help_lists_the_commands_and_the_caution(capsys):
    code, out, err = call(capsys, "--help")
    assert (code, err) == (0, "")
    for name in ("run", "survey", "masters", "tiles", "assemble", "present", "demo"):
        assert f"\n  {name} " in out
    assert "never look at the Sun" in " ".join(out.split())


@pytest.mark.parametrize("name", sorted(cli.commands.commands))
def test_each_command_explains_itself(capsys, name):
    code, out, _ = call(capsys, name, "--help")
    assert code == 0
    for option in ("--jobs", "--json", "--quiet", "--verbose"):
        assert option in out
    assert ("--out" in out) == (name not in ("demo", "movie", "plan"))


def test_the_version(capsys):
    assert call(capsys, "--version")[:2] == (0, f"diskmosaic, version {__version__}\n")


@pytest.mark.parametrize("arguments", [["fly"], ["run"], ["run", ".", "--jobs", "0"], ["run", ".", "--fast"]])
def test_wrong_usage_is_2(capsys, arguments):
    code, out, err = call(capsys, *arguments)
    assert (code, out) == (2, "")
    assert "Usage:" in err


@pytest.mark.parametrize("name", ["run", "survey", "masters", "tiles", "assemble", "present"])
def test_what_cannot_be_done_is_1_and_one_sentence(capsys, tmp_path, name):
    code, out, err = call(capsys, name, tmp_path / "none")
    assert (code, out) == (1, "")
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    code, out, _ = call(capsys, name, tmp_path / "none", "--json")
    assert code == 1
    assert "expected" in json.loads(out)["error"]


def test_survey_prints_a_table(capsys, evening):
    code, out, err = call(capsys, "survey", evening, "--quiet")
    assert (code, err) == (0, "")
    assert "flat.ser    flat  name  12      340x260  8     2041-03-09" in out
    assert str(evening / "session.toml") in out


def test_survey_tells_what_is_wrong_after_the_table(capsys, evening):
    (evening / "notes.fits").write_text("clouds\n" * 1000)
    code, out, err = call(capsys, "survey", evening, "--quiet")
    assert code == 1
    assert "notes.fits  unreadable" in out
    assert "error: " in err


@pytest.mark.parametrize("name", ["run", "survey", "masters", "tiles", "assemble", "present"])
def test_json_is_one_document_and_nothing_else(capsys, evening_done, name):
    code, out, err = call(capsys, name, evening_done, "--json")
    document = json.loads(out)
    assert (code, document["command"]) == (0, name)
    assert "warnings" in document
    assert "\x1b" not in out + err


def test_a_finished_run_is_quick_and_repeats_its_warnings(evening_done):
    before = os.times()
    ran = run("run", evening_done, "--quiet")
    after = os.times()
    # processor time, which other work on the machine does not stretch: measured 0.6 s, promised 3 s
    spent = after.children_user + after.children_system - before.children_user - before.children_system
    assert spent < 3
    assert ran.returncode == 0
    assert "0 steps done" in ran.stdout
    assert all(line.startswith("warning: ") for line in ran.stderr.splitlines())


def test_piped_progress_is_plain_lines(evening):
    ran = run("masters", evening)
    assert ran.returncode == 0
    assert "\x1b" not in ran.stdout + ran.stderr
    assert "\r" not in ran.stderr
    assert "done, " in ran.stderr


def test_quiet_keeps_warnings_only(evening):
    (evening / "flat.ser").unlink()
    ran = run("masters", evening, "--quiet")
    assert ran.returncode == 0
    assert any("No flat was found" in line for line in ran.stderr.splitlines())
    assert all(line.startswith("warning: ") for line in ran.stderr.splitlines())


def test_a_terminal_gets_bars_that_go_away(evening):
    master, slave = pty.openpty()
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "120"}
    with subprocess.Popen(
        command("masters", evening), stdout=subprocess.PIPE, stderr=slave, env=environment
    ) as process:
        os.close(slave)
        shown = b""
        while True:
            try:
                part = os.read(master, 65536)
            except OSError:  # how a closed terminal reads
                break
            if not part:
                break
            shown += part
        os.close(master)
        assert process.wait() == 0
    assert b"\x1b[" in shown


def test_ctrl_c_is_one_line_and_leaves_no_half_file(evening):
    process = subprocess.Popen(
        command("run", evening, "--quiet", "--jobs", "2"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # a job in a script's background is started with Ctrl-C ignored, and hands that on
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    until = time.monotonic() + 60
    while not (evening / "assembled" / "tiles" / "sun_01.fits").exists() and time.monotonic() < until:
        time.sleep(0.005)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    # a terminal shows ^C where it was pressed: the sentence begins on a new line
    assert (out, err.lstrip("\n")) == ("", "interrupted; the same command goes on from here\n")
    assert not list(evening.rglob(".part-*"))


def test_a_reader_that_leaves_early_is_no_error(evening_done):
    with subprocess.Popen(
        command("survey", evening_done, "--quiet"), stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        process.stdout.close()
        assert b"Traceback" not in process.stderr.read()


def test_an_error_of_the_system_is_a_sentence(capsys, tmp_path, monkeypatch):
    def fail(*_, **__):
        raise PermissionError(13, "Permission denied", "/some/where.ser")

    monkeypatch.setattr(pipeline, "run", fail)
    code, _, err = call(capsys, "run", tmp_path)
    assert code == 1
    assert err.startswith("error: /some/where.ser: found permission denied, expected")


def test_verbose_tells_the_steps_and_where_an_error_came_from(capsys, evening_done, tmp_path):
    _, out, _ = call(capsys, "run", evening_done, "--verbose", "--quiet")
    assert "tile sun_01: unchanged" in out
    _, _, err = call(capsys, "run", tmp_path / "none", "--verbose")
    assert "Traceback" in err

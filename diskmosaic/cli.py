"""The ``diskmosaic`` command: the list of its commands, and how it is left."""

from __future__ import annotations

import os
import sys

import click

from diskmosaic._version import __version__
from diskmosaic.commands import demo, job, movie, plan, reflat, survey
from diskmosaic.commands.console import CANNOT
from diskmosaic.interrupt import listen

DONE, INTERRUPTED = 0, 130
CAUTION = (
    "Caution: never look at the Sun through optics, and never point optics at it, without a certified "
    "full-aperture filter or a dedicated solar telescope in good order; cover finders; never leave the "
    "instrument unattended. Follow the makers' instructions and local rules; no program replaces them."
)


@click.group(epilog=CAUTION, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="diskmosaic")
def commands() -> None:
    """Build the full disk of the Sun from overlapping tiles, recorded at long focal length.

    FOLDER holds the recordings of one session: tiles, and a flat and a dark if there are any. Nothing in it
    is changed, except session.toml, which is yours to edit, and the folder of the results.
    """


for _command in (
    job.run_command,
    survey.survey_command,
    job.masters_command,
    job.tiles_command,
    job.assemble_command,
    job.present_command,
    reflat.reflat_command,
    movie.movie_command,
    plan.plan_command,
    demo.demo_command,
):
    commands.add_command(_command)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with its exit code: 0 done, 1 cannot, 2 wrong usage, 130 interrupted."""
    # small systems of equations are solved often: the algebra library's own threads would only get in our threads' way
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    listen()
    try:
        # without standalone mode an exit code set inside comes back as the result
        code = commands.main(arguments, prog_name="diskmosaic", standalone_mode=False)
        sys.stdout.flush()
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except (KeyboardInterrupt, click.Abort):
        click.echo("interrupted; the same command goes on from here", err=True)
        code = INTERRUPTED
    except BrokenPipeError:
        # the reader has gone: nothing more to say, not even at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = CANNOT
    sys.exit(code if isinstance(code, int) else DONE)

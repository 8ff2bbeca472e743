"""What can go wrong, told in one sentence.

::

    DiskmosaicError            exit code 1: the job cannot be done
    ├── InputError             a file or a value is not what is needed
    └── OutputError            a result cannot be written
"""

from __future__ import annotations

from os import PathLike


class DiskmosaicError(Exception):
    """The job cannot be done; ``str()`` of it is one sentence for a person."""


class InputError(DiskmosaicError):
    """A file or a value is not what is needed."""


class OutputError(DiskmosaicError):
    """A result cannot be written."""


def bad_input(what: str | PathLike[str], *, found: str, expected: str, todo: str) -> InputError:
    """Build the error for a bad input: which file, what was found, what was expected, what to do.

    Parameters
    ----------
    what : str or path
        The file (or setting) the message is about.
    found, expected, todo : str
        Phrases without a closing full stop.

    Returns
    -------
    InputError
        To be raised by the caller.

    Examples
    --------
    >>> str(bad_input("a.ser", found="40 bytes", expected="a 178-byte header", todo="copy it again"))
    'a.ser: found 40 bytes, expected a 178-byte header; copy it again.'
    """
    return InputError(f"{what}: found {found}, expected {expected}; {todo}.")

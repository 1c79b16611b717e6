"""What the set-up says: progress on standard error, and one clear line when it has to stop."""

import errno
import re
import sys
from pathlib import Path


class Stop(Exception):  # noqa: N818  (nothing is wrong with the program)
    """The program cannot go on; the text is the one line that a person reads."""


def say(text: str) -> None:
    """Print one line of progress; standard output is left to the commands themselves."""
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


# What the installers and servers print, and what it means to the person in front of it.
_MEANINGS: tuple[tuple[str, str], ...] = (
    (
        r"No space left on device|ENOSPC|could not write init file|not enough (free|disk) space|Disk quota exceeded",
        "The disk is full",
    ),
    (
        r"Temporary failure (in name resolution|resolving)|Could not resolve|Name or service not known"
        r"|ENOTFOUND|EAI_AGAIN|ECONNREFUSED|ETIMEDOUT|Network is unreachable"
        r"|Failed to establish a new connection"
        r"|[Dd]ns error|error sending request|tcp connect error|Could not connect to|Connection timed out"
        r"|Cannot initiate the connection",
        "There is no network",
    ),
    (
        r"CERTIFICATE_VERIFY_FAILED|certificate verify failed|invalid peer certificate|SELF_SIGNED_CERT",
        "The package server's certificate is not trusted on this system",
    ),
    (r"do not match the hashes|[Hh]ash mismatch|EINTEGRITY", "A downloaded package is not the pinned one"),
    (
        r"Could not get lock|is another process using it|dpkg frontend lock",
        "Another program is installing packages",
    ),
    (r"Address already in use|EADDRINUSE", "The port is busy"),
    (r"Cannot allocate memory|out of memory|ENOMEM", "There is not enough memory"),
    (r"Read-only file system|EROFS", "The disk is read-only"),
    (r"Permission denied|EACCES", "A file or folder may not be written"),
)


def meaning(output: str) -> str | None:
    """Return in plain words why a program failed, from what it printed; None when that is not known."""
    for pattern, words in _MEANINGS:
        if re.search(pattern, output):
            return words
    return None


def last_line(output: str) -> str:
    """Return the last line that says something."""
    lines = [line.strip() for line in output.splitlines() if line.strip()]
    return lines[-1] if lines else "no message"


def failure(what: str, output: str, log: Path | None = None) -> Stop:
    """Return the one line for a program that failed at `what`, having printed `output`."""
    reason = meaning(output) or last_line(output)
    where = f" Details: {log}" if log else ""
    return Stop(f"{what} failed: {reason.rstrip('.')}.{where}")


def os_failure(error: OSError) -> Stop:
    """Return the one line for an operating system error that reached the top."""
    name = error.filename or "a file"
    match error.errno:
        case errno.ENOSPC | errno.EDQUOT:
            return Stop("The disk is full: free some space and run this again. Nothing is lost.")
        case errno.EROFS | errno.EACCES | errno.EPERM:
            return Stop(f"{name} may not be written or read here: {error.strerror}.")
        case errno.ENOMEM:
            return Stop("There is not enough memory: close something and run this again.")
    return Stop(f"{name}: {error.strerror or error}.")

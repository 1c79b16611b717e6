"""What the installers and servers print is turned into one line that says what to do about."""

import errno

import pytest

from club.boot.words import failure, meaning, os_failure

# Lines as apt, pip, uv, npm, initdb and gunicorn print them.
PRINTED = [
    ("E: Write error - write (28: No space left on device)", "The disk is full"),
    ("npm error code ENOSPC", "The disk is full"),
    ("initdb: error: could not write file: No space left on device", "The disk is full"),
    ("Temporary failure resolving 'deb.example'", "There is no network"),
    (
        "Failed to establish a new connection: [Errno -3] Temporary failure in name resolution",
        "There is no network",
    ),
    ("error: error sending request for url (…): dns error", "There is no network"),
    ("npm error code EAI_AGAIN", "There is no network"),
    ("THESE PACKAGES DO NOT MATCH. ERROR: packages do not match the hashes", "not the pinned one"),
    ("npm error code EINTEGRITY", "not the pinned one"),
    ("E: Could not get lock /var/lib/dpkg/lock-frontend", "Another program is installing packages"),
    ("SSLError(SSLCertVerificationError(1, '[SSL: CERTIFICATE_VERIFY_FAILED]", "certificate is not trusted"),
    ("[ERROR] Connection in use … [Errno 98] Address already in use", "The port is busy"),
]


@pytest.mark.parametrize(("printed", "words"), PRINTED)
def test_what_a_program_printed_becomes_plain_words(printed: str, words: str) -> None:
    line = str(failure("Installing", f"much output\n{printed}\nexit\n"))
    assert line.startswith("Installing failed: ")
    assert words in line
    assert "\n" not in line


def test_an_unknown_failure_shows_the_programs_last_words() -> None:
    assert meaning("something odd") is None
    assert str(failure("Loading", "first\nthe odd thing.\n\n")) == "Loading failed: the odd thing."


@pytest.mark.parametrize(
    ("number", "words"),
    [(errno.ENOSPC, "The disk is full"), (errno.EACCES, "/a/place"), (errno.ENOMEM, "not enough memory")],
)
def test_an_operating_system_error_is_one_line(number: int, words: str) -> None:
    line = str(os_failure(OSError(number, "as the system says", "/a/place")))
    assert words in line
    assert "\n" not in line

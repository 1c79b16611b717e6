"""One at a time: of two transactions about the same thing, the second waits until the first one's work stands."""

from enum import IntEnum

from django.db import connection


class Turn(IntEnum):
    """What is taken in turns; the same key of another kind waits for nobody."""

    SIGN_IN = 0
    REQUEST = 7411003
    PICTURES_OF_LOOK = 7411004
    EDIT = 7411005
    FILE_OF_PICTURE = 7411006


def take_turn(kind: Turn, key: object) -> None:
    """Wait until nobody else holds the turn, and hold it to the end of the transaction."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(hashtextextended(%s, %s))", [str(key), int(kind)])

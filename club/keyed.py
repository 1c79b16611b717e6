"""Ids that only the server can make, and makes the same each time."""

import uuid

from django.utils.crypto import salted_hmac


def keyed_id(purpose: str, text: str) -> uuid.UUID:
    """Return the random-looking id (UUID version 4) of a text, under a secret of the server's.

    For what is sent again under a name of the sender's own: nobody can name what is another's.
    """
    digest = salted_hmac(purpose, text, algorithm="sha256").digest()
    return uuid.UUID(bytes=digest[:16], version=4)

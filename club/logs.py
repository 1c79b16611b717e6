"""What must not stand in a log: the secret of a one-time link, which is part of its address."""

import logging
import re

_LINK = re.compile(r"/(reset|invitation)/[^/\s\"']+")


class HideLinks(logging.Filter):
    """Put dots in the place of the secret of every reset or invitation link in a record."""

    def filter(self, record: logging.LogRecord) -> bool:
        said = record.getMessage()
        if (hidden := _LINK.sub(r"/\1/…", said)) != said:
            record.msg, record.args = hidden, ()
        return True

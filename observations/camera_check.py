"""The draw that asks about one sonar look in ten: "camera on this one, whatever it looks like" (DESIGN §5).

Members prove what looks good. A draw that knows nothing of what the screen shows gives proofs without that
choice. It is decided by the look's own number under a key that the server gives each member: the page can draw
without signal (static/js/camera-check.js does the same arithmetic), and the server draws again when the look
arrives. It asks after sealing, so that no call is made in the knowledge that the camera follows.
"""

import hashlib
import hmac
import uuid
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.utils.crypto import salted_hmac

from observations.camera_check_models import CameraCheck
from observations.models import SONAR, Method, Observation
from observations.services import VISIT_HOURS

# So many leading bytes of the code make the number that is drawn: as many as a browser counts exactly.
_BYTES = 6
_NUMBERS = float(1 << 8 * _BYTES)


def key_of(member_id: uuid.UUID | None) -> str:
    """Return a member's key of the draw, 64 hex digits. It stays, and says nothing of other members' keys."""
    return salted_hmac("tallow.camera_check", str(member_id), algorithm="sha256").hexdigest()


def drawn(key: str, look_id: uuid.UUID, odds: float) -> bool:
    """Say whether a look is drawn, at odds from 0 to 1: HMAC-SHA-256 (RFC 2104) of its number in lower case."""
    code = hmac.new(bytes.fromhex(key), str(look_id).encode(), hashlib.sha256).digest()
    return int.from_bytes(code[:_BYTES]) < odds * _NUMBERS


def asks_for(member_id: uuid.UUID, look_id: uuid.UUID, method: str) -> bool:
    """Say whether the draw asks for the camera on this look, sealed as it is made."""
    odds: float = settings.CAMERA_CHECK_ODDS
    return method in SONAR and drawn(key_of(member_id), look_id, odds)


def draw_context(member_id: uuid.UUID | None) -> dict[str, Any]:
    """Return what a log page needs to draw by itself."""
    return {"check_key": key_of(member_id), "check_odds": settings.CAMERA_CHECK_ODDS}


def note_asked(look: Observation, said: str, moment: datetime) -> None:
    """Keep that the look was drawn, at what odds, and what the member said already (`said` may be empty)."""
    CameraCheck.objects.get_or_create(
        look=look,
        defaults={
            "odds": settings.CAMERA_CHECK_ODDS,
            "answer": said,
            "answered_at": moment if said else None,
        },
    )


def check_context(look: Observation) -> dict[str, Any]:
    """Return what the sealed page says of the check: nothing for a look that was not drawn or is taken back."""
    check = CameraCheck.objects.filter(look=look).first() if look.random_check else None
    if check is None or look.withdrawn_at:
        return {}
    return {"check": check, "done": done_by(look), "one_in": round(1 / check.odds)}


def answer(look: Observation, said: str, moment: datetime) -> None:
    """Keep what the member said; a second answer takes the first one's place. Nothing for a look not drawn."""
    CameraCheck.objects.filter(look=look).update(answer=said, answered_at=moment)


def done_by(look: Observation) -> Observation | None:
    """Return the observer's first camera look at the spot within the visit after this look."""
    return (
        Observation.objects.filter(
            observer_id=look.observer_id,
            spot_id=look.spot_id,
            method=Method.CAMERA,
            started_at__gte=look.started_at,
            started_at__lt=look.started_at + timedelta(hours=VISIT_HOURS),
            withdrawn_at=None,
        )
        .order_by("started_at", "id")
        .first()
    )

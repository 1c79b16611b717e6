"""What the frame of every page tells about observations."""

from django.http import HttpRequest

from observations.proofs import waiting_count


def counts(request: HttpRequest) -> dict[str, int]:
    """Return how many proofs wait for the one who looks; nothing for those who do not check."""
    viewer = getattr(request, "viewer", None)
    return {"proofs_waiting": waiting_count(viewer) if viewer else 0}

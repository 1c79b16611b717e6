"""What pages of the club tell of exact positions shown."""

from django import template

from spots.disclosures import Alert, alerts

register = template.Library()


@register.simple_tag
def cap_alerts(most: int = 5) -> list[Alert]:
    """Return the latest alerts of the daily cap that the reader is told of."""
    return alerts(most)

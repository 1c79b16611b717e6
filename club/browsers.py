"""What kind of browser asks, in two words. Coarse on purpose: it is there for its owner to recognise."""

import re

_BROWSERS = (
    ("Edg", "Edge"),
    ("OPR/", "Opera"),
    ("SamsungBrowser", "Samsung’s browser"),
    ("Firefox/", "Firefox"),
    ("FxiOS", "Firefox"),
    ("CriOS", "Chrome"),
    ("Chromium", "Chromium"),
    ("Chrome/", "Chrome"),
    ("Safari/", "Safari"),
)
_SYSTEMS = (
    ("Android", "Android"),
    ("iPhone", "an iPhone"),
    ("iPad", "an iPad"),
    ("Windows", "Windows"),
    ("Macintosh", "a Mac"),
    ("CrOS", "ChromeOS"),
    ("Linux", "Linux"),
)


def kind_of_browser(user_agent: str) -> str:
    """Return words such as "Firefox on Android" for a User-Agent header; "a browser" when it says nothing."""
    said = re.sub(r"HeadlessChrome", "Chrome", user_agent[:500])
    browser = next((name for mark, name in _BROWSERS if mark in said), "a browser")
    system = next((name for mark, name in _SYSTEMS if mark in said), "")
    return f"{browser} on {system}" if system else browser

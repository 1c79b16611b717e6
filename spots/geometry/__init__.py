"""Pure geometry: numpy and shapely in, numpy and shapely out. Nothing of Django."""

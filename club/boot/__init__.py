"""Starts Tallow from nothing. Importing it needs the standard library only, so that a bare Python can."""

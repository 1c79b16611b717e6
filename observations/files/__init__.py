"""Looks in and out of files, and the one importer behind the page and the command."""

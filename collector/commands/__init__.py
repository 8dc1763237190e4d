"""The commands that grew beyond a few lines, a file each; :mod:`collector.cli` puts them together."""

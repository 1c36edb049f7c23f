"""What goes in and out: tables, spectra, files of targets, and the schemas of the JSON files."""

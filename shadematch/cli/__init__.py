"""The command line: parse, call, print; one room a verb."""

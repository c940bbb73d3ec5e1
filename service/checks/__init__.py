"""One file per check: a pure function with its formula and source. Knows no web and no database."""

"""The shared words: envelope, one frozen model per entry type, quantities, refusals. Knows no web and no database."""

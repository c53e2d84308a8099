"""A map compiled: construct parsers for one message, a column plan for millions; number formats and checks."""

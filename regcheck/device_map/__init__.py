"""The map language: YAML to a validated map, with the place of every value; units, expressions, limits."""

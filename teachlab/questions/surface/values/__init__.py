"""The values of a surface: levels, ranks, spans, table."""

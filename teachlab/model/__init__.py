"""The vocabulary: frozen values, no algorithms, no files."""

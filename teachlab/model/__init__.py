"""The vocabulary: frozen values, without algorithms and files."""

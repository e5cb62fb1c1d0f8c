"""Formats of logs, each as named columns that come in batches of rows."""

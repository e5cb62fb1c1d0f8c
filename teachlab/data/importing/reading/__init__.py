"""Formats of logs, each as named columns in batches of rows."""

"""Sentences, tables and notes for people: used by terminal, page and study alike."""

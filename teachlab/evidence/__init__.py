"""Evidence that can be signed: identity, criteria, record, page, and its verification."""

"""Whether a recording saw every state of the nuisances that come in cycles."""

"""From light to the log: beam, received power, electronics."""

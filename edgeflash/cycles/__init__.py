"""From scans to cycles. Pure: the scans carry their own times."""

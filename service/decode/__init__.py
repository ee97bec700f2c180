"""From bytes to messages, one file per payload form. Knows nothing of points, units or limits."""

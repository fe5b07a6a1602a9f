"""Areas of a scan: their pixels and sums, what they show, and two against each other."""

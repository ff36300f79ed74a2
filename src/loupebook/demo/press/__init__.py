"""From artwork to a physical print: plates, screens, paper, faults, and copies."""

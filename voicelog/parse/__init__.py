"""From words to draft events: tokens, the best-first search over the word nets, and what its readings mean."""

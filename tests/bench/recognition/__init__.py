"""How well each recogniser hears callouts, in noise and from human speakers: the corpus, the scoring, the report."""

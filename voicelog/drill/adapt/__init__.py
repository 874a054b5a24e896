"""Adapts the second listener to callouts in noise: texts, speech, training and conversion; never needed at run time."""

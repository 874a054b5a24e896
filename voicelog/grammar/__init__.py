"""What crews may say: template syntax, spoken numbers, the loader for grammar files, and what is made from them."""

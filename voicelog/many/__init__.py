"""The room of many cases: the case files of a folder listed, put in tables, asked, and written for engines."""

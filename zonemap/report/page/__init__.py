"""The page (HTML): everything of a result in one file that opens anywhere, without a network or a script."""

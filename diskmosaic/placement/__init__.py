"""Where tiles lie."""

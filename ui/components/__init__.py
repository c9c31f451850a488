"""Photo picker and line editor: plain JavaScript, no build."""

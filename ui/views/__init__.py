"""One page of the browser app a file."""

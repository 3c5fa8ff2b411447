"""What each reader's page says: frames looked up in the book, laid out as sections."""

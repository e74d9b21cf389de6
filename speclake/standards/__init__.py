"""Standards and how instruments are qualified with them: the vocabulary, no arithmetic."""

"""The words that people read, in their language: English in the code, the others in one table for each."""

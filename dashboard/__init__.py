"""Dashboard: what is in Redis, as a page; what people answer, as one more entry of the input stream."""

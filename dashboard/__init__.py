"""The page: shows what is in the store, and sends what people do to the detector through its input stream."""

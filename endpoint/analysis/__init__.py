"""The whole way from a record and its recording to a result."""

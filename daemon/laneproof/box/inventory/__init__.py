"""What a box holds, as a value: taken from a snapshot; kept in the audit's JSON and in the history."""

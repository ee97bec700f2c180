"""Units and times as texts and as numbers: vocabulary that every room may import. Pure; it imports no room."""

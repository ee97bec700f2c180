"""`dustcake demo`: a whole small plant on this computer. Starts everything as children and leaves only its folder."""

"""From recorded clouds to a better profile."""

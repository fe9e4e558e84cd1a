"""What each command of the command line does. A module per command; imported only when its command runs."""

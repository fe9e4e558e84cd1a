"""What is known of the board itself: its parts, pins and nets, and what a finding says about them. Pure."""

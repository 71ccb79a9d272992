"""What runs and when: intake, derive, publish, review and their schedule."""

"""From the hangar to the datum: tables, ties, scans."""

"""What people and programs see. Each output reads findings and facts; none computes a judgement."""

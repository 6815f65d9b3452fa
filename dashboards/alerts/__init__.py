"""What needs a person now: findings, and the alerts made of them."""

"""What an informaticist asks of data: what occurs in it, what it means, and whether two are one."""

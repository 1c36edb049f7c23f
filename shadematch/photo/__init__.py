"""A photo becomes a target; its rooms are imported one by one."""

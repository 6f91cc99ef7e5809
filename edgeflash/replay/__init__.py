"""Recorded cycles looked at once more: judged again under another configuration, or explained."""

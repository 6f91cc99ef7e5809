"""A first look into an unknown analyzer: what its registers or nodes may mean. Only ever reads."""

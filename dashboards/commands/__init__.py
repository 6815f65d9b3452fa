"""The commands, one file each; heavy libraries load only inside the command that needs them."""

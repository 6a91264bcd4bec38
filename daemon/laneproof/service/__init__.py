"""The long-running daemon: schedule, deadlines, reload, notification, state. It joins things up and judges nothing."""

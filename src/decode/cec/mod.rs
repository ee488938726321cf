//! HDMI-CEC: from edges to messages to events.

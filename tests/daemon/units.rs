//! The service unit and the udev rule that are shipped as examples.

use clap::Parser;
use straykey::face::cli::args::{Arguments, Command};
use straykey::face::http::Config;

/// Sections and keys of systemd.unit(5), systemd.service(5), systemd.exec(5), as far as they are used.
fn unit() -> Vec<(String, String, String)> {
    let text = include_str!("../../examples/straykey.service");
    let mut section = String::new();
    let mut found = Vec::new();
    for line in text.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with('#')) {
        if let Some(name) = line.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')) {
            section = name.to_owned();
        } else {
            let (key, value) = line.split_once('=').expect(line);
            found.push((section.clone(), key.to_owned(), value.to_owned()));
        }
    }
    found
}

#[test]
fn the_unit_keeps_what_it_promises_and_its_command_is_understood() {
    let unit = unit();
    let has = |section: &str, key: &str, value: &str| {
        assert!(
            unit.iter().any(|(s, k, v)| s == section && k == key && v == value),
            "[{section}] {key}={value}"
        );
    };
    // Before systemd 253 an unknown type is passed over, and with it readiness and watchdog.
    has("Service", "Type", "notify");
    has("Service", "ExecReload", "/bin/kill -HUP $MAINPID");
    has("Service", "NotifyAccess", "main");
    has("Service", "Restart", "on-failure");
    has("Install", "WantedBy", "multi-user.target");
    for (key, value) in [
        ("NoNewPrivileges", "yes"),
        ("ProtectSystem", "strict"),
        ("ProtectHome", "yes"),
        ("PrivateTmp", "yes"),
        // Drivers note the bytes that they lost in the kernel's log; nothing else is allowed.
        ("CapabilityBoundingSet", "CAP_SYSLOG"),
        ("AmbientCapabilities", "CAP_SYSLOG"),
        ("ProtectKernelLogs", "no"),
        ("DeviceAllow", "/dev/kmsg r"),
        ("MemoryDenyWriteExecute", "yes"),
        ("RestrictAddressFamilies", "AF_UNIX AF_INET AF_INET6 AF_NETLINK"),
        ("IPAddressDeny", "any"),
        ("IPAddressAllow", "localhost"),
        ("SystemCallFilter", "@system-service"),
        ("RestrictNamespaces", "yes"),
        ("LockPersonality", "yes"),
        ("UMask", "0077"),
    ] {
        has("Service", key, value);
    }
    assert!(unit.iter().any(|(_, key, value)| key == "WatchdogSec" && value.parse::<u32>().is_ok()));
    assert!(unit.iter().any(|(_, key, value)| key == "User" && value != "root"));
    let (_, _, command) = unit.iter().find(|(_, key, _)| key == "ExecStart").unwrap();
    let words: Vec<&str> = command.split_whitespace().collect();
    let parsed = Arguments::try_parse_from(&words).unwrap();
    let Command::Serve(serve) = parsed.command else { panic!("{command}") };
    assert!(serve.config.is_some() && serve.socket.is_some());
}

#[test]
fn the_udev_rule_names_ports_by_identity() {
    let text = include_str!("../../examples/99-straykey.rules");
    let rules: Vec<&str> = text.lines().filter(|line| !line.starts_with('#') && !line.is_empty()).collect();
    assert!(!rules.is_empty());
    for rule in rules {
        for part in rule.split(", ") {
            let operator = ["==", "+=", ":=", "="].iter().find(|operator| part.contains(**operator));
            let (key, value) = part.split_once(*operator.expect(part)).unwrap();
            assert!(!key.is_empty() && value.starts_with('"') && value.ends_with('"'), "{part}");
        }
        assert!(rule.contains("SUBSYSTEM==\"tty\"") && rule.contains("ATTRS{idVendor}=="), "{rule}");
    }
}

#[test]
fn the_configuration_is_understood_with_everything_that_it_mentions() {
    let text = include_str!("../../examples/serve.toml");
    let path = std::path::Path::new("/bench/serve.toml");
    let config = Config::parse(path, text).unwrap();
    let names: Vec<_> = config.ports.iter().map(|port| port.name.as_str()).collect();
    assert_eq!(names, ["left", "right", "header"]);
    assert_eq!(config.jobs, std::path::Path::new("/bench/jobs"));
    // What is only shown, behind a `#`, is understood as well.
    let shown: String = text.lines().map(|line| format!("{}\n", uncovered(line))).collect();
    let config = Config::parse(path, &shown).unwrap_or_else(|error| panic!("{}: {shown}", error.sentence()));
    assert_eq!(config.tls.unwrap().names, ["bench.example"]);
    assert_eq!(config.limits.keep_bytes, Some(20_000_000_000));
    assert_eq!(config.log.file.as_deref(), Some(std::path::Path::new("/bench/straykey.log")));
}

/// A setting behind a `# ` without it; prose stays a comment.
fn uncovered(line: &str) -> &str {
    let rest = line.strip_prefix("# ").unwrap_or(line);
    let setting = rest.split_once(" = ").is_some_and(|(key, _)| !key.contains(' '));
    if setting || rest.starts_with('[') { rest } else { line }
}

//! The daemon speaks TLS with OpenSSL.

use std::process::Command;

use crate::support::daemon::Daemon;

/// Certificate by OpenSSL, client by OpenSSL's `s_client`: neither is ours.
#[test]
fn tls_speaks_with_another_implementation() {
    let folder = tempfile::tempdir().unwrap();
    let made = Command::new("openssl")
        .args([
            "req",
            "-x509",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:P-256",
            "-nodes",
            "-days",
            "2",
        ])
        .args(["-subj", "/CN=bench.example", "-addext", "subjectAltName=DNS:bench.example"])
        .args(["-keyout", "key.pem", "-out", "certificate.pem"])
        .current_dir(folder.path())
        .output()
        .unwrap();
    assert!(made.status.success(), "{made:?}");
    let tls = "[tls]\ncertificate = \"certificate.pem\"\nkey = \"key.pem\"\nnames = [\"bench.example\"]\n";
    let daemon = Daemon::start(folder.path(), tls);
    let ask = |host: &str, token: &str| {
        let mut client = Command::new("openssl")
            .args(["s_client", "-quiet", "-verify_return_error", "-servername", "bench.example"])
            .args(["-CAfile", "certificate.pem", "-connect", &daemon.address])
            .current_dir(folder.path())
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        let request = format!(
            "GET /api/v1/status HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {token}\r\nConnection: close\r\n\r\n"
        );
        std::io::Write::write_all(client.stdin.as_mut().unwrap(), request.as_bytes()).unwrap();
        let mut answer = String::new();
        std::io::Read::read_to_string(client.stdout.as_mut().unwrap(), &mut answer).unwrap();
        client.wait().unwrap();
        answer
    };
    assert!(ask("bench.example", &daemon.token).starts_with("HTTP/1.1 200"));
    assert!(ask("bench.example", "x").starts_with("HTTP/1.1 401"));
    assert!(ask("other.example", &daemon.token).starts_with("HTTP/1.1 403"));
}

use straykey::base::{Error, Kind, quote};

#[test]
fn an_error_says_what_where_and_what_to_do() {
    let error = Error::input("\"{counts:hexx}\" has an unknown type \"hexx\"")
        .at("protocols/chassis/alder.toml")
        .line(14, Some(44))
        .help("did you mean {counts:hex}?");
    assert_eq!(
        error.to_string(),
        "protocols/chassis/alder.toml:14:44: \"{counts:hexx}\" has an unknown type \"hexx\"\n  did you mean {counts:hex}?"
    );
    assert_eq!((error.kind(), error.exit_status()), (Kind::Input, 3));
    assert_eq!(Error::usage("x").exit_status(), 2);
    assert_eq!(Error::system("x").exit_status(), 4);
}

#[test]
fn a_missing_file_is_bad_input_and_a_full_disk_is_the_machine() {
    let path = std::path::Path::new("x.log");
    assert_eq!(Error::io("cannot open", path, std::io::ErrorKind::NotFound.into()).exit_status(), 3);
    assert_eq!(Error::io("cannot write", path, std::io::ErrorKind::StorageFull.into()).exit_status(), 4);
}

#[test]
fn foreign_bytes_cannot_steer_a_terminal() {
    assert_eq!(quote(b"\x1b]0;title\x07 \xe2\x80\xaeabc"), "\\x1b]0;title\\x07 \\xe2\\x80\\xaeabc");
    assert_eq!(quote(&[0xff; 100]).matches("\\xff").count(), 60);
}

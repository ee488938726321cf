use straykey::base::Key;

/// Outside source: the kernel's uapi header as the C library's development files install it.
#[test]
fn every_key_has_the_kernels_code() {
    let header = std::fs::read_to_string("/usr/include/linux/input-event-codes.h")
        .expect("linux-libc-dev, which every C compiler package brings, must be installed");
    let mut seen = 0;
    for line in header.lines() {
        let mut words = line.split_whitespace();
        let (Some("#define"), Some(name), Some(value)) = (words.next(), words.next(), words.next()) else {
            continue;
        };
        if !name.starts_with("KEY_") || name == "KEY_CNT" || name == "KEY_MIN_INTERESTING" {
            continue;
        }
        let code = match value.strip_prefix("0x") {
            Some(hex) => u16::from_str_radix(hex, 16).ok(),
            None => value.parse().ok(),
        };
        let key = Key::from_name(name);
        // Headers newer than 6.1 may know keys that our table does not.
        let Some(key) = key else { continue };
        match code {
            Some(code) => assert_eq!(key.code(), code, "{name}"),
            None => assert_eq!(Some(key), Key::from_name(value), "{name} is an alias of {value}"),
        }
        seen += 1;
    }
    assert!(seen > 500, "only {seen} names were compared");
}

#[test]
fn people_see_words_and_programs_see_names() {
    let key = Key::from_code(114).unwrap();
    assert_eq!((key.name(), key.label()), ("KEY_VOLUMEDOWN", "Volume down"));
    assert_eq!(Key::from_name("KEY_ZOOM"), Key::from_name("KEY_FULL_SCREEN"));
    assert_eq!(Key::from_code(999), None);
}

#[test]
fn a_mistyped_key_gets_the_nearest_name() {
    assert_eq!(Key::nearest_name("KEY_VOLUMDOWN"), Some("KEY_VOLUMEDOWN"));
    assert_eq!(Key::nearest_name("completely different words"), None);
}

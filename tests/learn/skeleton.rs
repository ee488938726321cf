//! Skeletons: what comes out passes its own check.

use std::path::Path;

use straykey::base::Key;
use straykey::decode::check::{Severity, check};
use straykey::learn::{Skeleton, Speech};

fn skeleton(speech: Speech, keys: &[(&str, &str)]) -> Skeleton {
    Skeleton {
        name: "larch-2".into(),
        about: "a \"new\" set".into(),
        source: "service notes".into(),
        prefix: "[{uptime:seconds}] ".into(),
        speech,
        shape: String::new(),
        keys: keys.iter().map(|(key, word)| (Key::from_name(key).unwrap(), (*word).to_owned())).collect(),
        full_scale: 1_023,
    }
}

#[test]
fn each_kind_of_skeleton_passes_its_check() {
    let named = [("KEY_MENU", "MENU"), ("KEY_VOLUMEUP", "VOL+")];
    let read = [("KEY_MENU", "747"), ("KEY_VOLUMEUP", "287")];
    for (speech, keys) in [(Speech::Keys, &named), (Speech::Presses, &named), (Speech::Readings, &read)] {
        let text = skeleton(speech, keys).text().unwrap();
        let findings = check(Path::new("larch-2.toml"), &text);
        assert!(findings.iter().all(|finding| finding.severity != Severity::Error), "{findings:?}\n{text}");
        assert!(findings.iter().all(|finding| finding.severity != Severity::Warning), "{findings:?}\n{text}");
    }
}

#[test]
fn a_shape_of_ones_own_is_used_and_a_wrong_one_is_refused() {
    let mut own = skeleton(Speech::Readings, &[("KEY_MENU", "747")]);
    own.shape = "kp {line:word} = 0x{counts:hex} {{raw}}".into();
    let text = own.text().unwrap();
    assert!(text.contains("kp KEY1 = 0x2eb {raw}"), "{text}");
    own.shape = "kp {counts:number}".into();
    assert!(own.text().unwrap_err().to_string().contains("number"));
    own.shape = "kp without a reading".into();
    assert!(own.text().is_err());
    assert!(skeleton(Speech::Keys, &[]).text().is_err());
}

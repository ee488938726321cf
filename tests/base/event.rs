use proptest::prelude::*;
use straykey::base::{Anchor, ControlPath, Event, EventKind, Key, Nanoseconds, write_event};

fn written(event: &Event) -> String {
    let mut out = Vec::new();
    write_event(event, None, &mut out);
    String::from_utf8(out).unwrap()
}

#[test]
fn keys_stand_in_the_order_of_the_event_format() {
    let mut event = Event::new(Nanoseconds(12_400_000_000), ControlPath::Keypad, EventKind::Press);
    event.key = Key::from_name("KEY_MENU");
    event.line = Some("KEY1".into());
    event.counts = Some(747);
    event.volts = Some(2.408_1);
    event.quality = Some(0.75);
    event.capture = Some("baseline.log".into());
    event.channel = Some("RX".into());
    event.offset = Some(17);
    event.length = Some(40);
    event.decoder = Some("alder@1".into());
    assert_eq!(
        written(&event),
        concat!(
            r#"{"t":12.4,"path":"keypad","kind":"press","key":"KEY_MENU","line":"KEY1","counts":747,"volts":2.4081,"#,
            r#""quality":0.75,"capture":"baseline.log","channel":"RX","offset":17,"length":40,"decoder":"alder@1"}"#
        )
    );
}

#[test]
fn wall_time_comes_from_the_anchor() {
    let event = Event::new(Nanoseconds::SECOND, ControlPath::System, EventKind::Boot);
    let mut out = Vec::new();
    write_event(&event, Anchor::parse("2026-03-01T10:00:00Z"), &mut out);
    assert_eq!(
        String::from_utf8(out).unwrap(),
        r#"{"t":1,"at":"2026-03-01T10:00:01Z","path":"system","kind":"boot"}"#
    );
}

#[test]
fn schema_names_every_field_and_refuses_others() {
    let schema = Event::json_schema();
    let properties = schema["properties"].as_object().unwrap();
    for field in ["t", "at", "path", "kind", "key", "line", "held", "operands", "quality", "decoder"] {
        assert!(properties.contains_key(field), "{field}");
    }
    assert_eq!(schema["additionalProperties"], serde_json::json!(false));
    assert_eq!(schema["required"], serde_json::json!(["t", "path", "kind"]));
}

fn any_event() -> impl Strategy<Value = Event> {
    let text = || proptest::option::of("\\PC{0,12}|[\"\\\\\n\r\t\u{1}\u{7f}]{0,4}");
    (
        (-10_i64.pow(15)..10_i64.pow(15), 0usize..5, 0usize..10, proptest::option::of(0u16..767)),
        (text(), proptest::option::of(any::<u32>()), text(), proptest::option::of(0u32..100), text()),
        (proptest::option::of(any::<bool>()), proptest::option::of(any::<u8>()), text(), text(), text()),
        (
            proptest::option::of(proptest::collection::vec(any::<u8>(), 0..4)),
            proptest::option::of(any::<u64>()),
        ),
    )
        .prop_map(
            |(
                (t, path, kind, key),
                (line, counts, format, hundredths, note),
                (toggle, opcode, raw, item, value),
                (operands, offset),
            )| {
                use EventKind as K;
                let kinds = [
                    K::Press,
                    K::Release,
                    K::Repeat,
                    K::Reading,
                    K::Frame,
                    K::Change,
                    K::Noise,
                    K::Boot,
                    K::Standby,
                    K::Fault,
                ];
                let mut event = Event::new(Nanoseconds(t), ControlPath::ALL[path], kinds[kind]);
                event.key = key.and_then(Key::from_code);
                event.line = line.map(Into::into);
                event.counts = counts;
                event.volts = counts.map(|c| f64::from(c % 5000) / 1000.0);
                event.format = format.map(Into::into);
                event.quality = hundredths.map(|h| h as f32 / 100.0);
                event.note = note.map(Into::into);
                event.toggle = toggle;
                event.opcode = opcode;
                event.raw = raw.map(Into::into);
                event.item = item.map(Into::into);
                event.value = value.map(Into::into);
                event.operands = operands;
                event.offset = offset;
                event.held = counts.map(|c| Nanoseconds(i64::from(c)));
                event
            },
        )
}

proptest! {
    /// The slow twin is serde on the same type; both must mean the same JSON.
    #[test]
    fn the_fast_writer_says_what_serde_says(event in any_event()) {
        let fast: serde_json::Value = serde_json::from_str(&written(&event)).unwrap();
        let slow = serde_json::to_value(&event).unwrap();
        let (fast, slow) = (fast.as_object().unwrap(), slow.as_object().unwrap());
        prop_assert_eq!(fast.keys().collect::<Vec<_>>(), slow.keys().collect::<Vec<_>>());
        for (name, value) in slow {
            match (value.as_f64(), fast[name].as_f64()) {
                (Some(slow), Some(fast)) => prop_assert!((slow - fast).abs() <= 1e-6 * slow.abs().max(1e-3), "{}", name),
                _ => prop_assert_eq!(&fast[name], value),
            }
        }
        let back: Event = serde_json::from_str(&written(&event)).unwrap();
        prop_assert_eq!(back.key, event.key);
        prop_assert_eq!(back.note, event.note);
    }
}

#[test]
fn what_the_set_itself_sends_is_no_input_of_it() {
    let mut event = Event::new(Nanoseconds::ZERO, ControlPath::Cec, EventKind::Press);
    event.initiator = Some(4);
    assert!(event.is_input());
    event.initiator = Some(0);
    assert!(!event.is_input() && !event.comes_in());
}

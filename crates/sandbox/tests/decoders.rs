//! Random and half-right texts in place of a manifest and a reading: whatever
//! comes, the answer is a sound reading or a finding.

#[path = "hostile/module.rs"]
mod module;

use measure::{Block, Reading, Start};
use module::Module;
use proptest::prelude::*;
use sandbox::Sandbox;

fn sandbox() -> &'static Sandbox {
    static SANDBOX: std::sync::OnceLock<Sandbox> = std::sync::OnceLock::new();
    SANDBOX.get_or_init(|| Sandbox::new().unwrap())
}

/// The final reading of a plugin that tells this.
fn told(text: &[u8]) -> Reading {
    let module = Module { told: text.to_vec(), ..Module::default() };
    let plugin = sandbox().load(&module.bytes(), "t").unwrap();
    let mut measurement = plugin.measurement();
    let start = Start { sample_rate_hz: 44_100.0, channels: 1, ..Start::default() };
    measurement.start(&start).unwrap();
    measurement.feed(&Block { first_frame: 0, channels: &[&[0.5; 10]], gap: false });
    measurement.finish()
}

/// JSON that is nearly a reading: the right keys with values of any kind.
fn nearly_a_reading() -> impl Strategy<Value = String> {
    let leaf = prop_oneof![
        any::<f64>().prop_map(|x| format!("{x:e}")),
        Just("null".to_owned()),
        Just("true".to_owned()),
        "[ -~]{0,12}".prop_map(|text| format!("{text:?}")),
        Just("[1,2,3]".to_owned()),
        Just("1e400".to_owned()),
        Just("\"\\u0007\"".to_owned()),
    ];
    let tree = leaf.prop_recursive(3, 24, 4, |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..4).prop_map(|items| format!("[{}]", items.join(","))),
            proptest::collection::vec(("(columns|rows|level|code|text|level_db|x_s)", inner), 0..4).prop_map(
                |pairs| {
                    let pairs: Vec<String> =
                        pairs.iter().map(|(key, value)| format!("\"{key}\":{value}")).collect();
                    format!("{{{}}}", pairs.join(","))
                }
            ),
        ]
    });
    proptest::collection::vec(("(values|labels|curves|tables|findings)", tree), 0..4).prop_map(|pairs| {
        let pairs: Vec<String> = pairs.iter().map(|(key, value)| format!("\"{key}\":{value}")).collect();
        format!("{{{}}}", pairs.join(","))
    })
}

fn is_sound(reading: &Reading) {
    assert_eq!(reading.check(), Ok(()));
    assert_eq!(reading.measurement, "test.plugin");
    assert_eq!(reading.sample_rate_hz, 44_100.0);
    if let Some(finding) = reading.stopped().filter(|finding| finding.code.starts_with("plugin-")) {
        assert!(["plugin-reading", "plugin-answer"].contains(&finding.code.as_str()), "{finding:?}");
        // Nothing of what was told is let through.
        assert!(reading.values.is_empty() && reading.curves.is_empty() && reading.findings.len() == 1);
    }
    for text in reading.labels.values().chain(reading.findings.iter().map(|finding| &finding.text)) {
        assert!(!text.chars().any(char::is_control), "{text:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_reading_of_random_bytes_is_a_finding(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        is_sound(&told(&bytes));
    }

    #[test]
    fn a_reading_that_is_nearly_right_is_sound_or_a_finding(text in nearly_a_reading()) {
        is_sound(&told(text.as_bytes()));
    }

    #[test]
    fn a_random_manifest_is_refused(text in ".{0,200}") {
        let module = Module { manifest: text.into_bytes(), ..Module::default() };
        let finding = sandbox().load(&module.bytes(), "t").unwrap_err();
        prop_assert_eq!(finding.code, "plugin-manifest");
    }

    #[test]
    fn a_spoilt_manifest_is_sane_or_refused(at in 0_usize..200, byte in any::<u8>()) {
        let mut manifest = module::MANIFEST.as_bytes().to_vec();
        let at = at % manifest.len();
        manifest[at] = byte;
        match sandbox().load(&Module { manifest, ..Module::default() }.bytes(), "t") {
            Ok(plugin) => {
                let manifest = plugin.manifest();
                prop_assert!(manifest.id.contains('.') && manifest.version > 0);
                for parameter in &manifest.parameters {
                    // The default is one that could have been typed.
                    let default = match parameter.default_value() {
                        measure::ParameterValue::Number(number) => number.to_string(),
                        measure::ParameterValue::Text(text) => text,
                    };
                    prop_assert!(parameter.parse(&default).is_ok());
                }
            }
            Err(finding) => prop_assert!(["plugin-manifest", "plugin-answer"].contains(&finding.code.as_str())),
        }
    }

    #[test]
    fn a_file_of_random_bytes_is_refused(bytes in proptest::collection::vec(any::<u8>(), 0..2_000)) {
        let with_header = [b"\0asm\x01\0\0\0".as_slice(), &bytes].concat();
        prop_assert!(sandbox().load(&bytes, "t").is_err());
        prop_assert!(sandbox().load(&with_header, "t").is_err());
    }
}

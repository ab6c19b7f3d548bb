//! Secrets that stand in the settings, or in files of their own that the settings name.

use std::io::Read as _;
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;

use super::read::Reader;
use crate::domain::secret::Secret;
use crate::store::seal::{KeyRing, KeySource};

/// The name of the key file in the data directory.
const KEY_FILE: &str = "secrets.key";
/// No file of a secret is longer.
const LONGEST: u64 = 65_536;

/// Where the keys are that the store's secrets are sealed with.
pub(super) fn keys(reader: &mut Reader<'_>, data_dir: &Path) -> KeySource {
    let file = reader.path("store.key_file");
    let given = reader.checked("store.key", KeyRing::parse);
    if file.is_some() && given.is_some() {
        reader.fault("store.key", "and store.key_file exclude each other: give one of them");
    }
    match given {
        Some(ring) => KeySource::Given(ring),
        None => KeySource::File(file.unwrap_or_else(|| data_dir.join(KEY_FILE))),
    }
}

/// A secret that stands under one key, or in a file that another key names.
pub(super) fn secret(reader: &mut Reader<'_>, key: &'static str, file_key: &'static str) -> Option<Secret> {
    let (given, file) = (reader.text(key).map(Secret::new), reader.checked(file_key, of_file));
    if given.is_some() && file.is_some() {
        reader.fault(file_key, &format!("and {key} exclude each other: give one of them"));
    }
    given.or(file)
}

/// The secret in a file: its text without the end of its line.
fn of_file(path: &str) -> Result<Secret, String> {
    let cannot = |fault: std::io::Error| format!("{path} cannot be read: {fault}");
    let file = std::fs::File::open(path).map_err(cannot)?;
    if file.metadata().map_err(cannot)?.mode() & 0o007 != 0 {
        return Err(format!(
            "{path} may be read by everybody on this machine: close it with `chmod o= {path}`"
        ));
    }
    let mut text = String::new();
    file.take(LONGEST).read_to_string(&mut text).map_err(cannot)?;
    match text.trim_end_matches(['\r', '\n']) {
        "" => Err(format!("{path} is empty: write the secret into it")),
        secret => Ok(Secret::new(secret)),
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt as _;
    use std::path::Path;

    use super::super::{Config, Faults, Overrides};
    use super::*;

    const DIGITS: &str = "000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f";

    fn parse(text: &str, environment: &[(&str, &str)]) -> Result<Config, Faults> {
        let look_up = |name: &str| {
            environment.iter().find(|(key, _)| *key == name).map(|(_, value)| (*value).to_owned())
        };
        Config::parse(text, &look_up, &Overrides::default())
    }

    #[test]
    fn keys_lie_in_the_data_directory_or_where_it_is_said_or_are_given() {
        let at = |text: &str| match parse(text, &[]).unwrap().store.keys {
            KeySource::File(path) => path,
            KeySource::Given(_) => panic!("none is given"),
        };
        assert_eq!(at("[store]\ndata_dir = \"/loft\"\n"), Path::new("/loft/secrets.key"));
        assert_eq!(at("[store]\nkey_file = \"/keys/loft\"\n"), Path::new("/keys/loft"));
        let given = parse("", &[("ULLAGE_STORE_KEY", DIGITS)]).unwrap();
        assert!(matches!(given.store.keys, KeySource::Given(_)));
        assert!(!format!("{given:?}").contains(DIGITS));
        let both = "[store]\nkey_file = \"/keys/loft\"\n";
        let faults = parse(both, &[("ULLAGE_STORE_KEY", DIGITS)]).unwrap_err();
        assert!(faults.to_string().contains("exclude each other"), "{faults}");
        let faults = parse("", &[("ULLAGE_STORE_KEY", &DIGITS[2..])]).unwrap_err().to_string();
        assert!(faults.starts_with("ULLAGE_STORE_KEY: ") && !faults.contains("0203"), "{faults}");
    }

    #[test]
    fn a_password_may_lie_in_a_file_of_its_own_that_not_everybody_reads() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("password");
        std::fs::write(&path, "velvet curtain\n").unwrap();
        let mail =
            "[mail]\nserver = \"mail.loft.example\"\nfrom = \"ullage@loft.example\"\nuser = \"loft\"\n";
        let text =
            format!("{mail}password_file = \"{0}\"\n[webhook]\nsecret_file = \"{0}\"\n", path.display());
        let mode = |mode| std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
        mode(0o640);
        let deliver = parse(&text, &[]).unwrap().deliver;
        assert_eq!(deliver.mail.unwrap().login.unwrap().1.expose(), "velvet curtain");
        assert_eq!(deliver.webhook.secret.unwrap().expose(), "velvet curtain");
        let both = parse(&text, &[("ULLAGE_MAIL_PASSWORD", "other")]).unwrap_err().to_string();
        assert!(both.contains("exclude each other") && !both.contains("velvet"), "{both}");
        mode(0o644);
        assert!(parse(&text, &[]).unwrap_err().to_string().contains("chmod o="));
    }
}

//! Every setting with what holds without it and what it sets: the one list that the reference in README and the
//! command `ullage settings` are made from. Tests hold it to what is read, both ways, and each value to the code.

use Usual::{Value, Words};

/// What holds where a setting is not given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Usual {
    /// A value, as it would be written in the file.
    Value(&'static str),
    /// No single value: how it comes about, in words.
    Words(&'static str),
}

/// A setting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Setting {
    /// Its section and name, with a dot between them.
    pub key: &'static str,
    /// What holds without it.
    pub usual: Usual,
    /// What it sets, as Markdown on one line.
    pub sets: &'static str,
}

/// All settings, in the order of the reference.
pub const SETTINGS: &[Setting] = &[
    Setting { key: "site.name", usual: Value(r#""Print room""#), sets: "what the print room is called" },
    Setting {
        key: "site.time_zone",
        usual: Words("the machine's"),
        sets: r#"the zone that days and months begin and end in, such as `"Europe/Lisbon"`"#,
    },
    Setting {
        key: "store.database_url",
        usual: Words("none"),
        sets: "the PostgreSQL server (15 to 18) to keep readings in; also `DATABASE_URL`",
    },
    Setting {
        key: "store.data_dir",
        usual: Words("`/var/lib/ullage` for root, else `~/.local/share/ullage`"),
        sets: "where a database of our own lies; also `--data-dir`",
    },
    Setting {
        key: "store.binaries",
        usual: Words("searched for"),
        sets: "the directory with PostgreSQL's programs; also `--binaries`",
    },
    Setting {
        key: "store.key_file",
        usual: Words("`secrets.key` in `store.data_dir`"),
        sets: "the keys that secrets are sealed with, the newest first; made at the first start; nobody but its owner may read it",
    },
    Setting {
        key: "store.key",
        usual: Words("none"),
        sets: "the keys themselves in place of a file, `NEW,OLD`; best in the environment, as `ULLAGE_STORE_KEY`",
    },
    Setting {
        key: "store.fetch_postgresql",
        usual: Value("true"),
        sets: "whether PostgreSQL may be fetched when the machine has none",
    },
    Setting {
        key: "listen.address",
        usual: Value(r#""127.0.0.1:7830""#),
        sets: "where the pages are served; a loopback address until people come in by name",
    },
    Setting {
        key: "listen.certificate",
        usual: Words("none"),
        sets: "the certificate, with those above it (PEM), to serve the pages by https with; taken up within seconds when its file changes",
    },
    Setting { key: "listen.key", usual: Words("none"), sets: "its private key (PEM)" },
    Setting {
        key: "listen.https",
        usual: Value("false"),
        sets: "whether browsers reach the pages by https, through a server in front: what they carry then never goes out in the open",
    },
    Setting {
        key: "listen.notifications",
        usual: Words("nowhere"),
        sets: r#"where traps and informs of versions 1, 2c and 3 are taken, such as `"0.0.0.0:162"`; see below"#,
    },
    Setting {
        key: "access.idle",
        usual: Value(r#""12h""#),
        sets: "how long somebody stays in without asking for a page",
    },
    Setting { key: "access.at_most", usual: Value(r#""168h""#), sets: "how long at most" },
    Setting {
        key: "access.front_header",
        usual: Words("none"),
        sets: r#"a header in which a server in front names people, such as `"X-Loft-Person"`"#,
    },
    Setting {
        key: "access.front_from",
        usual: Words("nowhere"),
        sets: r#"the addresses that the server in front speaks from, such as `["127.0.0.1"]`"#,
    },
    Setting {
        key: "openid.issuer",
        usual: Words("none"),
        sets: r#"a provider of OpenID Connect that people may come in by besides, to the letter, such as `"https://login.loft.example"`"#,
    },
    Setting {
        key: "openid.client_id",
        usual: Words("none"),
        sets: "the name that the provider knows Ullage by",
    },
    Setting {
        key: "openid.client_secret",
        usual: Words("none"),
        sets: "what Ullage proves that with; best in the environment, as `ULLAGE_OPENID_CLIENT_SECRET`",
    },
    Setting {
        key: "openid.label",
        usual: Words("the provider's host"),
        sets: "what the provider is called on the page",
    },
    Setting {
        key: "openid.scope",
        usual: Value(r#""openid profile""#),
        sets: "what the provider is asked to say",
    },
    Setting {
        key: "openid.name_claim",
        usual: Value(r#""preferred_username""#),
        sets: "the claim that says under which name somebody comes in here the first time; of `email` only one that is verified counts",
    },
    Setting {
        key: "openid.role_claim",
        usual: Words("none"),
        sets: r#"a claim that gives roles, such as `"groups"`; dots lead into objects. Without it nobody is let in who is not known here, and roles are given here"#,
    },
    Setting {
        key: "openid.readers",
        usual: Words("none"),
        sets: r#"the values that make a reader, such as `["loft"]`"#,
    },
    Setting { key: "openid.operators", usual: Words("none"), sets: "those that make an operator" },
    Setting { key: "openid.administrators", usual: Words("none"), sets: "those that make an administrator" },
    Setting {
        key: "poll.every",
        usual: Value(r#""15m""#),
        sets: "how often devices that are added from now on are polled",
    },
    Setting {
        key: "poll.timeout",
        usual: Value(r#""2s""#),
        sets: "how long a first try waits for an answer",
    },
    Setting { key: "poll.retries", usual: Value("2"), sets: "how often a device is asked again" },
    Setting {
        key: "poll.in_flight",
        usual: Value("64"),
        sets: "the most devices that are asked at the same moment",
    },
    Setting {
        key: "poll.spool_dir",
        usual: Words("`spool` in the data directory"),
        sets: "where polls wait that the store cannot take; every process that polls needs its own",
    },
    Setting {
        key: "poll.spool_mb",
        usual: Value("256"),
        sets: "the most that they may take of the disk, in millions of octets",
    },
    Setting {
        key: "poll.name",
        usual: Words("the machine's name"),
        sets: "what a process that polls is called, where several do",
    },
    Setting {
        key: "poll.sites",
        usual: Words("all"),
        sets: "the sites (by `site.name`) whose devices a process polls",
    },
    Setting {
        key: "poll.networks",
        usual: Words("all"),
        sets: r#"the ranges of addresses, such as `["10.0.0.0/24"]`, whose devices a process polls; a device has to be in both, and one that is watched by a name and not by its address is in no range"#,
    },
    Setting {
        key: "poll.lease",
        usual: Value(r#""20s""#),
        sets: "how long the devices of a process that has died wait for another (4 s to 10 min)",
    },
    Setting {
        key: "discover.ranges",
        usual: Words("none"),
        sets: r#"the ranges that may be searched for printers, such as `["10.0.0.0/24", "192.168.4.7"]` (commas between them in the environment); this machine itself always may be"#,
    },
    Setting {
        key: "discover.rate",
        usual: Value("100"),
        sets: "the most datagrams that a search sends in a second, up to 1000",
    },
    Setting {
        key: "retention.detail_months",
        usual: Value("24"),
        sets: "months for which every reading is kept; of older ones, the last of each day (4 to 600; 0 keeps every reading for good)",
    },
    Setting { key: "rules.lead_days", usual: Value("7"), sets: "days that a supplier takes" },
    Setting {
        key: "rules.service_level",
        usual: Value("95"),
        sets: "percent: the chance with which no machine is to stand without a part (50 to 99.9)",
    },
    Setting {
        key: "rules.review_days",
        usual: Value("7"),
        sets: "days from one order to a supplier to the next",
    },
    Setting {
        key: "rules.expiry_ahead_days",
        usual: Value("60"),
        sets: "a lot whose date passes within so many days becomes a task",
    },
    Setting {
        key: "rules.unused_after_days",
        usual: Value("30"),
        sets: "a colour that nothing was taken of for so many days becomes a task (common practice, no source)",
    },
    Setting {
        key: "rules.room_celsius",
        usual: Value(r#""15..30""#),
        sets: "degrees Celsius between which a machine that reports the temperature is to stand, or there is a task (common practice, no source; the maker's manual comes first)",
    },
    Setting {
        key: "rules.room_humidity",
        usual: Value(r#""30..70""#),
        sets: "the same for percent of relative humidity (common practice, no source; the maker's manual comes first)",
    },
    Setting {
        key: "rules.waste_order_point",
        usual: Value("70"),
        sets: "percent full at which a receptacle's successor is ordered",
    },
    Setting { key: "rules.low_supply", usual: Value("10"), sets: "percent left at which ink counts as low" },
    Setting {
        key: "rules.dark_after",
        usual: Value(r#""24h""#),
        sets: "silence after which a machine's head care is in doubt",
    },
    Setting {
        key: "calendar.closed",
        usual: Words("nothing"),
        sets: r#"days on which nobody works: a list of weekdays (`"sat"`), dates (`"2026-12-25"`) and ranges (`"2026-12-24..2027-01-02"`)"#,
    },
    Setting {
        key: "report.mail_to",
        usual: Words("nobody"),
        sets: r#"who gets the last month's report by mail, PDF and workbook: a list such as `["office@loft.example"]`"#,
    },
    Setting { key: "report.mail_on", usual: Value("1"), sets: "from which day of the month on, 1 to 28" },
    Setting {
        key: "report.paper",
        usual: Value(r#""a4""#),
        sets: r#"what a month's PDF and workbook are printed on, `"a4"` or `"letter"`"#,
    },
    Setting {
        key: "mail.server",
        usual: Words("none"),
        sets: r#"the mail server, as `"mail.loft.example:587"`; no mail goes out without one"#,
    },
    Setting { key: "mail.from", usual: Words("none"), sets: "whom mail comes from; needed with a server" },
    Setting {
        key: "mail.security",
        usual: Words(r#"`"tls"` on port 465, else `"starttls"`"#),
        sets: r#"how the connection is kept safe; `"none"` only without a password"#,
    },
    Setting { key: "mail.user", usual: Words("none"), sets: "the name that the mail server asks for" },
    Setting {
        key: "mail.password",
        usual: Words("none"),
        sets: "the password that it asks for; best in the environment, as `ULLAGE_MAIL_PASSWORD`",
    },
    Setting {
        key: "mail.password_file",
        usual: Words("none"),
        sets: "a file that holds that password in its place; not everybody may read it",
    },
    Setting {
        key: "webhook.secret",
        usual: Words("none"),
        sets: "signs calls: `Ullage-Signature` is the HMAC-SHA256 of the body in hexadecimal",
    },
    Setting {
        key: "webhook.secret_file",
        usual: Words("none"),
        sets: "a file that holds that secret in its place; not everybody may read it",
    },
    Setting {
        key: "webhook.allow_private",
        usual: Value("false"),
        sets: "whether this machine and private networks may be called",
    },
    Setting {
        key: "deliver.link",
        usual: Words("the address of the pages"),
        sets: "where browsers reach the pages: links in messages lead there, and a provider of sign-ins leads back there",
    },
    Setting {
        key: "deliver.trust",
        usual: Words("what the machine trusts"),
        sets: "a file of certificates (PEM) whose authorities mail servers, web addresses and the provider of sign-ins may show besides",
    },
    Setting {
        key: "deliver.retry_after",
        usual: Value(r#""1m""#),
        sets: "how long after a first try the second one comes; then the waits double, up to six hours",
    },
    Setting {
        key: "deliver.mail_apart",
        usual: Value(r#""10m""#),
        sets: "how far apart mails to one person are, so that many alerts become one mail",
    },
];

/// The reference as a table in Markdown.
#[must_use]
pub fn markdown() -> String {
    let row = |Setting { key, usual, sets }: &Setting| {
        let usual = match usual {
            Value(value) => format!("`{value}`"),
            Words(words) => (*words).to_owned(),
        };
        format!("| `{key}` | {usual} | {sets} |\n")
    };
    let rows: String = SETTINGS.iter().map(row).collect();
    format!("| key | default | what it sets |\n| --- | --- | --- |\n{rows}")
}

/// The reference as a settings file in which nothing is set: every line but the sections' is a comment.
#[must_use]
pub fn file() -> String {
    let mut text = String::from(
        "# Settings of Ullage. Everything works untouched: take the # from what is to be changed.\n",
    );
    let mut last = "";
    for Setting { key, usual, sets } in SETTINGS {
        let (section, name) = key.split_once('.').unwrap_or(("", key));
        if section != last {
            text += &format!("\n[{section}]\n");
            last = section;
        }
        let plain = |markdown: &str| markdown.replace('`', "");
        text += &match usual {
            Value(value) => format!("# {}\n# {name} = {value}\n", plain(sets)),
            Words(words) => format!("# {} (default: {})\n# {name} =\n", plain(sets), plain(words)),
        };
    }
    text
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::super::{Config, Overrides};
    use super::*;

    /// What has to be said before settings that hang on others have an effect.
    const GIVEN: [(&str, &str); 5] = [
        ("ULLAGE_OPENID_ISSUER", "https://login.loft.example"),
        ("ULLAGE_OPENID_CLIENT_ID", "ullage"),
        ("ULLAGE_MAIL_SERVER", "mail.loft.example:587"),
        ("ULLAGE_MAIL_FROM", "ullage@loft.example"),
        ("ULLAGE_SITE_TIME_ZONE", "Europe/Lisbon"),
    ];

    fn parse(text: &str) -> String {
        let given = |name: &str| GIVEN.iter().find(|(key, _)| *key == name).map(|(_, to)| (*to).to_owned());
        let config = Config::parse(text, &given, &Overrides::default());
        format!("{:#?}", config.unwrap_or_else(|faults| panic!("{text}: {faults}")))
    }

    #[test]
    fn every_setting_that_is_read_stands_in_the_reference_and_no_other() {
        let listed: Vec<_> = SETTINGS.iter().map(|setting| setting.key).collect();
        assert_eq!(listed.iter().collect::<BTreeSet<_>>().len(), listed.len(), "one stands there twice");
        assert_eq!(listed.into_iter().collect::<BTreeSet<_>>(), Config::known_keys());
    }

    #[test]
    fn what_the_reference_gives_as_usual_is_what_the_code_does() {
        let usual = parse("");
        for Setting { key, usual: said, .. } in SETTINGS {
            let Value(value) = said else { continue };
            let (section, name) = key.split_once('.').unwrap();
            assert_eq!(parse(&format!("[{section}]\n{name} = {value}\n")), usual, "{key}");
        }
    }

    #[test]
    fn the_reference_in_the_readme_is_this_one() {
        let readme = include_str!("../../README.md");
        assert!(readme.contains(&markdown()), "make it anew: ullage settings --markdown prints it");
    }

    #[test]
    fn the_file_sets_nothing_and_says_all() {
        let file = file();
        assert_eq!(parse(&file), parse(""));
        for Setting { key, .. } in SETTINGS {
            let (_, name) = key.split_once('.').unwrap();
            assert!(file.contains(&format!("\n# {name} =")), "{key}");
        }
    }
}

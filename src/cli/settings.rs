//! Where things lie: configuration, record, socket, log.

use super::Fault;
use etcetera::{AppStrategy, AppStrategyArgs, choose_app_strategy};
use std::path::{Path, PathBuf};

/// Options that every command takes.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Places {
    /// Keep everything (configuration, record, socket, log) under this folder
    #[arg(long, global = true, value_name = "DIR", env = "DROPWISE_HOME")]
    pub home: Option<PathBuf>,
    /// The record to use, a single file
    #[arg(long, global = true, value_name = "FILE", env = "DROPWISE_RECORD")]
    pub record: Option<PathBuf>,
    /// Who you are, where several people share an account
    #[arg(long, global = true, value_name = "NAME", env = "DROPWISE_NAME")]
    pub name: Option<String>,
}

/// The places, settled.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// Holds `benches/`, `instruments/` and `procedures/` of the lab.
    pub configuration: PathBuf,
    /// The record.
    pub record: PathBuf,
    /// The folder of the log.
    pub log: PathBuf,
    /// The name that the person gave.
    pub name: Option<String>,
}

impl Places {
    /// Settles the places by the platform's conventions.
    ///
    /// # Errors
    /// When the system names no home folder.
    pub fn settle(&self) -> Result<Settings, Fault> {
        let mut settings = match &self.home {
            Some(home) => Settings {
                configuration: home.clone(),
                record: home.join("record.db"),
                log: home.join("log"),
                name: self.name.clone(),
            },
            None => {
                let app = choose_app_strategy(AppStrategyArgs {
                    top_level_domain: "org".to_owned(),
                    author: "dropwise".to_owned(),
                    app_name: "dropwise".to_owned(),
                })
                .map_err(|_| {
                    Fault::misuse("the system names no home folder; say where to keep things with --home DIR")
                })?;
                Settings {
                    configuration: app.config_dir(),
                    record: app.data_dir().join("record.db"),
                    log: app.state_dir().unwrap_or_else(|| app.data_dir()).join("log"),
                    name: self.name.clone(),
                }
            }
        };
        if let Some(record) = &self.record {
            settings.record.clone_from(record);
        }
        Ok(settings)
    }
}

impl Settings {
    /// The places of the demonstration: its record is never mixed with a real one.
    #[must_use]
    pub fn demo(&self) -> Self {
        let folder = self.record.parent().unwrap_or_else(|| Path::new(".")).join("demo");
        Self { record: folder.join("record.db"), log: folder.join("log"), ..self.clone() }
    }

    /// Reads a file that is named by a path, or by a name in a folder of the configuration.
    ///
    /// # Errors
    /// When there is none; the text says where it was looked for.
    pub fn read_named(&self, folder: &str, name: &str) -> Result<(String, String), String> {
        let direct = PathBuf::from(name);
        let configured = self.configuration.join(folder).join(format!("{name}.toml"));
        let path = if direct.is_file() { &direct } else { &configured };
        if !path.is_file() {
            return Err(format!("neither {} nor {} is there", direct.display(), configured.display()));
        }
        let text =
            std::fs::read_to_string(path).map_err(|e| format!("{} cannot be read: {e}", path.display()))?;
        Ok((path.display().to_string(), text))
    }
}

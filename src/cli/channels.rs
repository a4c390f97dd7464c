//! `gainsay channels`: the channel plans.

use clap::Args;
use gainsay::channels::{Channel, Plan};

use super::Failure;
use super::output::{self, Format};
use super::table::{Set, edges_mhz, table};

/// List the channel plans, or the channels of one.
///
/// A plan of your own is a TOML file; name it in place of a plan wherever --plan is taken.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  gainsay channels --plan australia --channels 6-12\n\n\
    A plan of your own (my.toml):\n  \
    title = \"Test bench\"\n  source = \"measured here\"\n  \
    [[band]]\n  first = 1\n  last = 4\n  low_mhz = 506\n  width_mhz = 6\n  standards = [\"8vsb\"]"
)]
pub struct Arguments {
    /// The plan to list [default: all plans, without their channels].
    #[arg(long, value_name = "PLAN")]
    plan: Option<String>,
    /// Channels to list, such as 14-36 or 7,9,20-23.
    #[arg(long, value_name = "CHANNELS", requires = "plan")]
    channels: Option<String>,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let Some(name) = &arguments.plan else {
        return plans(&Plan::embedded(), arguments.format);
    };
    let mut plan = Plan::find(name).map_err(Failure::usage)?;
    if let Some(choice) = &arguments.channels {
        plan.channels = plan.choose(choice).map_err(Failure::usage)?;
    }
    match arguments.format {
        Format::Json => output::print_json(&plan),
        Format::Csv => {
            let head = ["plan", "channel", "low_hz", "high_hz", "standards", "note"]
                .map(String::from)
                .to_vec();
            output::print_csv(
                std::iter::once(head).chain(plan.channels.iter().map(|channel| {
                    vec![
                        plan.name.clone(),
                        channel.id.to_string(),
                        channel.low.0.to_string(),
                        channel.high.0.to_string(),
                        standards(channel),
                        channel.note.clone().unwrap_or_default(),
                    ]
                })),
            )
        }
        Format::Table => {
            let head = [
                ("channel", Set::Right),
                ("MHz", Set::Right),
                ("centre MHz", Set::Right),
                ("standards", Set::Left),
                ("note", Set::Left),
            ];
            let rows = table(
                &head,
                plan.channels.iter().map(|channel| {
                    vec![
                        channel.id.to_string(),
                        edges_mhz(channel.low.0, channel.high.0),
                        format!("{:.3}", channel.centre().mhz()),
                        standards(channel),
                        channel.note.clone().unwrap_or_default(),
                    ]
                }),
            );
            output::print(&format!(
                "{} ({})\nSource: {}\n\n{rows}",
                plan.title,
                plan.name,
                plan.source.trim()
            ))
        }
    }
}

fn plans(plans: &[Plan], format: Format) -> Result<(), Failure> {
    match format {
        Format::Json => output::print_json(&plans),
        Format::Csv => {
            let head = ["plan", "title", "channels", "source"]
                .map(String::from)
                .to_vec();
            output::print_csv(std::iter::once(head).chain(plans.iter().map(|plan| {
                vec![
                    plan.name.clone(),
                    plan.title.clone(),
                    plan.outline(),
                    plan.source.trim().to_owned(),
                ]
            })))
        }
        Format::Table => {
            let head = [
                ("plan", Set::Left),
                ("title", Set::Left),
                ("channels", Set::Left),
                ("also called", Set::Left),
            ];
            let rows = table(
                &head,
                plans.iter().map(|plan| {
                    vec![
                        plan.name.clone(),
                        plan.title.clone(),
                        plan.outline(),
                        plan.aliases().join(", "),
                    ]
                }),
            );
            output::print(&format!(
                "{rows}\n`gainsay channels --plan NAME` lists a plan's channels and its source.\n"
            ))
        }
    }
}

fn standards(channel: &Channel) -> String {
    channel
        .standards
        .iter()
        .map(ToString::to_string)
        .collect::<Vec<_>>()
        .join(", ")
}

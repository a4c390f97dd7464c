//! `gainsay report`.

use std::fs;

use crate::program::Place;

#[test]
fn two_antennas_at_one_spot_need_no_naming_and_the_first_taken_is_a() {
    let place = Place::with_takes();
    let (page, post) = (place.named("gain.html"), place.named("gain.md"));
    let said = place.text(["report", &page, "--markdown", &post, "--by", "J. Doe"]);
    for name in [
        "gain.html",
        "gain.md",
        "gain-comparison.png",
        "gain-spectrum.png",
    ] {
        assert!(said.contains(name), "{said}");
        assert!(fs::metadata(place.path(name)).expect(name).len() > 500);
    }
    let page = fs::read_to_string(&page).expect("a page");
    assert!(page.contains("<h1>loop against ears</h1>"));
    assert!(page.contains("J. Doe") && page.contains("at window, "));
    assert!(page.contains("one take each, so nothing shows what changes"));
    assert!(
        !page.contains("Invented data"),
        "recordings with known truth are no scene"
    );
    let post = fs::read_to_string(&post).expect("a post");
    assert!(post.starts_with("# loop against ears\n") && post.contains("(gain-comparison.png)"));
    // The figures are those of the comparison.
    let comparison = place.json(["compare", "loop", "ears"]);
    for channel in comparison["channels"].as_array().expect("channels") {
        if let Some(difference) = channel["difference_db"].as_f64() {
            let shown = format!("{difference:+.1}").replace('-', "\u{2212}");
            assert!(page.contains(&format!(">{shown} <")), "{shown}");
        }
    }
}

#[test]
fn antennas_named_the_other_way_round_and_fewer_channels_are_reported_so() {
    let place = Place::with_takes();
    let page = place.named("gain.html");
    place.text([
        "report",
        &page,
        "ears",
        "loop",
        "--spot",
        "window",
        "--channels",
        "20-21",
        "--title",
        "Mine",
    ]);
    let page = fs::read_to_string(&page).expect("a page");
    assert!(page.contains("<h1>Mine</h1>") && page.contains("<title>Mine</title>"));
    assert!(page.contains("A: <bdi>ears</bdi>") && page.contains("2 channels of the plan"));
}

#[test]
fn what_is_there_already_is_left_alone_unless_forced() {
    let place = Place::with_takes();
    let page = place.named("gain.html");
    fs::write(&page, "mine").expect("a file");
    place.refuses(
        1,
        ["report", &page],
        &["gain.html", "is there already", "--force"],
    );
    assert_eq!(fs::read_to_string(&page).expect("a file"), "mine");
    place.text(["report", &page, "--force"]);
    assert!(
        fs::read_to_string(&page)
            .expect("a file")
            .starts_with("<!DOCTYPE html>")
    );
    // A picture beside a post is somebody's too; the post isn't written then.
    fs::write(place.path("post-comparison.png"), "mine").expect("a file");
    let post = place.named("post.md");
    place.refuses(
        1,
        ["report", "--markdown", &post],
        &["post-comparison.png", "--force"],
    );
    assert!(!place.path("post.md").exists());
}

#[test]
fn what_cannot_be_reported_is_refused_with_the_reason_and_what_to_type() {
    let place = Place::with_takes();
    place.refuses(2, ["report"], &["gain.html", "--markdown"]);
    place.refuses(2, ["report", "loop", "ears"], &["loop", "ending in .html"]);
    place.refuses(
        2,
        ["report", "--markdown", "gain.txt"],
        &["gain.txt", ".md"],
    );
    place.refuses(
        2,
        ["report", "gain.html", "loop"],
        &["\"loop\"", "another antenna"],
    );
    place.refuses(
        1,
        ["report", "gain.html", "loop", "ear"],
        &["\"ear\"", "ears"],
    );
    place.refuses(
        1,
        ["report", "gain.html", "--spot", "windw"],
        &["windw", "window"],
    );
    place.refuses(
        1,
        ["report", "nowhere/gain.html"],
        &["nowhere/gain.html", "can't be written"],
    );
    place.take("third", "vsb-b");
    place.refuses(
        2,
        ["report", "gain.html"],
        &[
            "\"loop\"",
            "\"ears\"",
            "\"third\"",
            "gainsay report OUT.html",
        ],
    );
    assert!(!place.path("gain.html").exists());
}

#[test]
fn a_logbook_that_is_not_there_is_named() {
    let place = Place::new();
    place.refuses(1, ["report", "gain.html"], &["logbook.sqlite"]);
    assert!(place.logbook_files().is_empty());
}

//! Tells the program when it was built: no clock can be right that says an earlier moment.

#[expect(clippy::disallowed_methods, reason = "the program itself reads wall time in `clock` alone")]
fn main() {
    // https://reproducible-builds.org/specs/source-date-epoch/
    println!("cargo:rerun-if-env-changed=SOURCE_DATE_EPOCH");
    println!("cargo:rerun-if-changed=build.rs");
    let given = std::env::var("SOURCE_DATE_EPOCH").ok().and_then(|text| text.parse::<u64>().ok());
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    let built = given.unwrap_or_else(|| now.map_or(0, |since| since.as_secs()));
    println!("cargo:rustc-env=YARDER_BUILT={built}");
}

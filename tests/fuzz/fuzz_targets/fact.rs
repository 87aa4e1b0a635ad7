//! The fuzzer of [`rinsebook_fuzz::fact`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::fact(data);
});

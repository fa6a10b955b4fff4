"""The test bench for hearing: seeded sound of many voices in site noise, and what each way of hearing makes of it.

    python -m tests.bench.hearing             the tables
    python -m tests.bench.hearing.dialogue    whole dialogues: wrong values taken, readings finished by voice
    python -m tests.bench.hearing.idle        hours of noise, talk and the station's own voice: values taken
    python -m tests.bench.hearing.exam        the exam of people: strangers first, then these voices

Which voice and noise may tune and which only scores is frozen in ``speakers.toml``, of real people in ``people.json``.
"""

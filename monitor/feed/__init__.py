"""The feed: broker or recording → raw messages → decoded readings → screened ones: marked, never dropped.

``mqtt`` brings messages (``batched_socket`` and ``packets`` read them off the wire, ``batches`` hands them on in
portions), ``decode`` makes readings or rejections of them by one of the ``formats``, ``screen`` marks readings.
``table`` reads files, ``replay`` plays a recording, ``embedded`` is a broker, ``probe`` looks at one.
"""
